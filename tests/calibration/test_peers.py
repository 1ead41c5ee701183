"""Other models on the same runs: each says what it must where the answer is known, and missing libraries are one sentence."""

from __future__ import annotations

import importlib.util

import numpy as np
import pandas as pd
import pytest
from labs import lab

from calib.calibration import peers
from calib.calibration.backtest import replay
from calib.calibration.scores import LEVELS
from calib.errors import UsageError
from calib.workflow import backtest

GROUP = ("process", "stage")


def rows_of(y: np.ndarray, stage: str = "printing") -> pd.DataFrame:
    return pd.DataFrame({"process": "MEX", "stage": stage, "y": y, "x": 0.0, "baseline_min": 60.0})


def test_last_runs_are_the_last_twenty_of_the_cell():
    train = pd.concat([rows_of(np.zeros(100)), rows_of(np.linspace(0, 1, 20)), rows_of(np.full(3, 9.0), "packing")])
    found = peers.last_runs(train, pd.concat([rows_of(np.zeros(1)), rows_of(np.zeros(1), "packing")]), GROUP)
    assert found[0] == pytest.approx(LEVELS)  # of evenly spaced numbers from 0 to 1
    assert found[1] == pytest.approx(np.quantile(train["y"], LEVELS))  # three runs are too few


@pytest.mark.parametrize("group", [GROUP, ("stage",)])
def test_cells_are_found_by_one_column_or_several(group):
    train = pd.concat([rows_of(np.zeros(9)), rows_of(np.ones(9), "packing")])
    assert peers.last_runs(train, rows_of(np.zeros(1), "packing"), group)[0] == pytest.approx(1.0)


def test_a_mixed_model_of_cells_that_do_not_differ_still_answers():
    # the library refuses to say effects of cells whose variance came out as nought
    y = np.tile([-0.2, 0.2], 30)
    train = pd.concat([rows_of(y), rows_of(y, "packing"), rows_of(y, "sanding")], ignore_index=True)
    train["x"] = np.tile([0.0, 0.0, 1.0, 1.0], 45)
    found = peers.mixed_model(train, train.iloc[:2], GROUP)
    assert found[:, 4] == pytest.approx(0.0, abs=0.02)
    assert found[:, 6] - found[:, 4] == pytest.approx(1.2816 * 0.2, rel=0.05)


def test_the_plan_alone_has_one_ratio_for_all():
    train = rows_of(np.linspace(-1, 1, 101))
    found = peers.plan_alone(train, rows_of(np.zeros(2)), GROUP)
    assert found == pytest.approx(np.tile(2 * np.array(LEVELS) - 1, (2, 1)))


def test_a_model_that_says_the_same_lies_neither_ahead_nor_behind(monkeypatch):
    runs = lab(120, weeks=12)
    monkeypatch.setattr(peers, "PEERS", {"plan alone": peers.plan_alone})
    ours = replay(runs)
    compared = peers.compare_with_peers(runs, ours, 1.0, GROUP)
    models = compared.models
    assert [model.name for model in models] == ["calib", "plan alone"]
    assert (models[0].behind, models[0].noise, compared.weeks_between) == (0.0, 0.0, 1)
    assert models[1].behind == pytest.approx(models[1].score / models[0].score - 1)


@pytest.mark.slow
def test_every_peer_answers_on_a_small_lab():
    runs = lab(150, weeks=11)
    models = peers.compare_with_peers(runs, replay(runs), 1.0, GROUP).models
    assert [model.name for model in models] == ["calib", *peers.PEERS]
    assert all(0.4 < model.held < 1 and np.isfinite(model.score) for model in models)


def test_missing_libraries_are_said_before_anything_is_read(monkeypatch, tmp_path):
    find = importlib.util.find_spec
    monkeypatch.setattr(backtest, "find_spec", lambda name: None if name == "statsmodels" else find(name))
    with pytest.raises(UsageError, match="Other models need statsmodels, which is not there") as refused:
        backtest.backtest_shop(tmp_path, peers=True)
    assert "calib[peers]" in refused.value.hint
