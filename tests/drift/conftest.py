"""Errors of an invented lab as the calibration would leave them: known steps, heavy tails, forgotten timers."""

import numpy as np
import pandas as pd
import pytest

from calib.drift import limits

START = pd.Timestamp("2026-01-05", tz="UTC")
SD = 0.2


def errors_of(
    stages=("washing", "printing", "packing"), runs=260, weeks=26, step=0.0, seed=1, noise="heavy", at_week=16
):
    """``washing`` changes by ``step`` sd of a run at ``at_week``; the model has not followed at all."""
    rng = np.random.default_rng(seed)
    return pd.concat([stage_errors(rng, s, runs, weeks, step * (s == "washing"), noise, at_week) for s in stages],
                     ignore_index=True)  # fmt: skip


def stage_errors(rng, stage, runs, weeks, step, noise, at_week):
    at = np.sort(rng.uniform(0, weeks, runs))
    z = rng.standard_normal(runs) if noise == "normal" else rng.standard_t(5, runs) / np.sqrt(5 / 3)
    z += np.where(rng.random(runs) < 0.03, 8.0, 0.0) + step * (at >= at_week)
    base = rng.uniform(20, 40, runs)
    return pd.DataFrame({
        "process": "VPP", "stage": stage, "machine": rng.choice(["V1", "V2"], runs), "operator": "P1",
        "station": None, "material": "clear", "build_id": [f"B{i}" for i in range(runs)],
        "ended_at": START + pd.to_timedelta(at * 7, unit="D"), "baseline_min": base, "expected_min": base,
        "actual_min": base * np.exp(SD * z), "scale": SD, "covariate_effect": 0.0, "censored": False, "found": False,
    })  # fmt: skip


@pytest.fixture(autouse=True)
def fewer_quiet_years(request, monkeypatch):
    """Limits from a quarter of the quiet years: enough for changes as large as these tests plant. Those of the limits and of
    the promise that they keep are marked ``all_quiet_years``."""
    if "all_quiet_years" not in request.keywords:
        monkeypatch.setattr(limits, "YEARS", (40, 250))
        monkeypatch.setattr(limits, "RUNS", 15_000)


@pytest.fixture
def make_errors():
    return errors_of


def stage_of(document, stage):
    return next(row for row in document["stages"] if row["stage"] == stage)


@pytest.fixture
def find_stage():
    return stage_of
