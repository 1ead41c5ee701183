"""Replay, failures and waits."""

from __future__ import annotations

import os

import numpy as np
import pandas as pd
import pytest
from labs import lab
from scipy import stats

from calib.calibration.backtest import replay, score
from calib.calibration.calibrator import Calibrator
from calib.calibration.failures import Failures
from calib.calibration.scores import LEVELS
from calib.calibration.waits import Waits

LABS, LAB_RUNS = (200, 300) if os.environ.get("CALIB_LONG") == "1" else (100, 150)


def test_replay_covers_what_it_says():
    found = replay(lab(1500, weeks=30, spread=0.15))
    figures = score(found)
    assert figures["weeks"] == 22
    assert figures["predictions"] == len(found) > 1000
    for name, level in (("50", 0.5), ("80", 0.8), ("90", 0.9), ("95", 0.95)):
        low, high = stats.binom.interval(0.9999, len(found), level)
        assert low <= figures["coverage"][name] * len(found) <= high
    assert figures["interval_score"] < figures["interval_score_baseline_only"]
    assert {cell["stage"] for cell in figures["cells"]} == {"printing", "unloading", "sanding"}
    assert (np.diff(found[list(LEVELS)].to_numpy()) >= 0).all()


def test_replay_never_looks_ahead():
    runs = lab(300, weeks=16)
    changed = runs.copy()
    last = changed["ended_at"] > changed["ended_at"].iloc[-1] - pd.Timedelta(weeks=2)
    changed.loc[last, "actual_min"] *= 3
    one, two = replay(runs), replay(changed)
    same = one["week"] < 12
    assert one.loc[same, list(LEVELS)].equals(two.loc[same, list(LEVELS)])


def test_replay_of_nothing():
    figures = score(replay(lab(5).iloc[:0]))
    assert figures["predictions"] == 0
    assert figures["coverage"]["80"] is None
    assert figures["interval_score"] is None


def test_failures_pool_and_fall_back():
    rng = np.random.default_rng(3)
    frame = pd.DataFrame({"process": "MEX", "machine": rng.choice(["good", "bad"], 600), "height_mm": 50.0})
    frame["failed"] = rng.random(600) < np.where(frame["machine"] == "bad", 0.3, 0.02)
    made = Failures().fit(frame)
    rows = pd.DataFrame({"process": ["MEX", "MEX", "MEX", "PBF"], "machine": ["good", "bad", "new", "x"]})
    good, bad, new, other = made.chance(rows)
    assert good < 0.05
    assert 0.24 < bad < 0.36
    assert good < new < bad
    assert 0 < other < 0.3
    assert Failures.from_table(made.to_table()).chance(rows).tolist() == made.chance(rows).tolist()
    assert Failures().chance(rows) == pytest.approx(np.full(4, 0.05))


def test_waits_learn_and_repeat():
    rng = np.random.default_rng(5)
    wait = np.where(rng.random(500) < 0.25, 0.0, np.exp(np.log(30) + 0.5 * rng.standard_normal(500)))
    made = Waits().fit(pd.DataFrame({"process": "VPP", "stage": "washing", "wait_min": wait}))
    draws = made.draws("VPP", "washing", 20_000, 1)
    assert np.mean(draws == 0) == pytest.approx(0.25, abs=0.04)
    assert np.median(draws[draws > 0]) == pytest.approx(30, rel=0.12)
    assert np.array_equal(draws, made.draws("VPP", "washing", 20_000, 1))
    assert np.array_equal(draws, Waits.from_table(made.to_table()).draws("VPP", "washing", 20_000, 1))
    assert np.isfinite(Waits().draws("MEX", "packing", 10, 1)).all()


def test_a_pair_of_stages_has_waits_of_its_own_that_shrink_to_its_later_stage():
    rng = np.random.default_rng(6)
    far, near = (
        np.exp(np.log(120) + 0.3 * rng.standard_normal(200)),
        np.exp(np.log(10) + 0.3 * rng.standard_normal(200)),
    )
    frame = pd.DataFrame({"process": "VPP", "stage": "inspection", "before": ["post_curing"] * 200 + ["blasting"] * 200,
                          "wait_min": [*far, *near]})  # fmt: skip
    few = pd.DataFrame({"process": "VPP", "stage": "inspection", "before": "sanding", "wait_min": [10.0]})
    made = Waits().fit(pd.concat([frame, few]))

    def middle(*pair: str) -> float:
        return float(np.exp(made.parameters("VPP", *pair)[1]))

    assert middle("inspection", "post_curing") == pytest.approx(120, rel=0.15)
    assert middle("inspection", "blasting") == pytest.approx(10, rel=0.15)
    whole = middle("inspection")
    assert 10 < middle("inspection", "sanding") < whole  # one wait of it, worth a ninth
    assert middle("inspection", "packing") == whole
    assert middle("packing", "inspection") == middle("")
    again = Waits.from_table(made.to_table())
    assert again.parameters("VPP", "inspection", "blasting") == made.parameters("VPP", "inspection", "blasting")
    old = made.to_table().query("before == ''").drop(columns="before")
    assert Waits.from_table(old).parameters("VPP", "inspection", "blasting") == made.parameters("VPP", "inspection")


@pytest.mark.slow
def test_ranks_are_uniform_over_labs_of_the_models_own_prior():
    """Simulation-based calibration (Talts et al. 2018): labs, the rank of one new run's minutes in each."""
    ranks = np.array([_rank(seed) for seed in range(LABS)])
    counts = np.bincount((ranks * 10).astype(int).clip(0, 9), minlength=10)
    low, high = stats.binom.interval(0.999, LABS, 0.1)
    assert ((counts >= low) & (counts <= high)).all(), counts
    assert stats.kstest(ranks, "uniform").pvalue > 1e-3


def _rank(seed: int) -> float:
    """Where a new run of a random cell falls among the model's draws."""
    rng = np.random.default_rng([77, seed])
    processes, stages = ["MEX", "VPP", "PBF"], ["printing", "inspection", "file_prep", "packing"]
    level = rng.normal(0, 0.15, 3)[:, None] + rng.normal(0, 0.15, 4) + rng.normal(0, 0.15, (3, 4))
    sigma = 0.15 * np.exp(rng.normal(0, 0.2, (3, 4)))
    n = LAB_RUNS + 1
    p, s = rng.integers(0, 3, n), rng.integers(0, 4, n)
    y = level[p, s] + sigma[p, s] * rng.standard_t(5, n)
    runs = pd.DataFrame(
        {
            "process": np.array(processes)[p], "stage": np.array(stages)[s], "baseline_min": 30.0,
            "actual_min": 30 * np.exp(y), "ended_at": pd.date_range("2026-01-05", periods=n, freq="6h"),
        }
    )  # fmt: skip
    draws = Calibrator().fit(runs.iloc[:-1]).draws(runs.iloc[-1:], 999, seed)[:, 0]
    return float((np.sum(draws < runs["actual_min"].iloc[-1]) + rng.random()) / 1000)
