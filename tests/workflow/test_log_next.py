"""What to log next: what is hardly logged, not what is known well or never done."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from calib.calibration.calibrator import Calibrator
from calib.shop.read_shop import read_shop
from calib.shop.template import shop_text
from calib.workflow.log_next import log_next

BASELINE_MIN = {"printing": 300.0, "unloading": 10.0, "washing": 20.0, "sanding": 30.0, "annealing": 200.0}


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shop")
    (folder / "shop.toml").write_text(shop_text("UTC"), encoding="utf-8")
    rng = np.random.default_rng(0)
    stages = np.array(["printing", "unloading"] * 60 + ["sanding"])
    usual = np.array([BASELINE_MIN[stage] for stage in stages])
    runs = pd.DataFrame(
        {
            "process": "VPP",
            "stage": stages,
            "baseline_min": usual,
            "actual_min": usual * np.exp(0.2 * rng.standard_normal(len(stages))),
            "ended_at": pd.date_range("2026-01-05", periods=len(stages), freq="12h", tz="UTC"),
        }
    )
    model = Calibrator().fit(runs)
    baselines = pd.DataFrame(
        {"process": "VPP", "stage": list(BASELINE_MIN), "baseline_min": list(BASELINE_MIN.values())}
    )
    return log_next(model, baselines, model.errors_, read_shop(folder))


def test_what_is_logged_often_is_not_asked_for(found):
    assert not {"printing", "unloading"} & {one["stage"] for one in found}


def test_what_is_usually_done_and_never_logged_is_asked_for(found):
    washing = next(one for one in found if one["stage"] == "washing")
    assert washing["runs"] == 0
    assert washing["then_pct"] < 0.9 * washing["now_pct"]


def test_what_nobody_does_is_not_asked_for(found):
    assert "annealing" not in {one["stage"] for one in found}


def test_the_most_minutes_come_first_and_at_most_three(found):
    saved = [one["saved_min"] for one in found]
    assert saved == sorted(saved, reverse=True)
    assert 1 <= len(found) <= 3
