"""What stands in where the full model fails, against the closed form by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from labs import lab, plan

from calib.calibration import weekly
from calib.calibration.calibrator import Calibrator
from calib.calibration.closed_form import ClosedForm
from calib.calibration.forward_pass import begin
from calib.calibration.options import Options
from calib.calibration.rows import read_runs

LEVELS = (0.1, 0.5, 0.9)


@pytest.fixture
def no_full_model(monkeypatch):
    def fail(information, vector, block):
        raise MemoryError("no room for the covariance")

    monkeypatch.setattr(weekly, "solve_and_invert", fail)


def test_it_stands_in_and_says_so(no_full_model):
    runs = lab(300)
    made = Calibrator().fit(runs)
    assert made.summary_["converged"].startswith("closed form: ")
    assert made.summary_["converged"].endswith("failed: no room for the covariance")
    rows = pd.concat([plan(), plan(stage="welding"), plan(process="PBF", machine="new")], ignore_index=True)
    found = made.predict(rows, LEVELS)
    ratio = np.median(runs["actual_min"] / runs["baseline_min"])
    assert found[0.5].iloc[0] == pytest.approx(60 * ratio, rel=0.05)
    assert (np.diff(np.log(found[0.9] / found[0.1])) > 0).all()  # the less is known, the wider
    again = Calibrator.from_tables(made.to_tables())
    assert again.predict(rows, LEVELS).equals(found)
    assert np.array_equal(again.draws(rows, 20, 1), made.draws(rows, 20, 1))
    assert len(made.errors_) == 300
    inside = made.errors_["pit"].between(0.1, 0.9).iloc[60:].mean()
    assert 0.7 < inside < 0.9


def test_a_mean_is_shrunk_by_runs_over_runs_and_prior():
    runs = lab(4).assign(
        ended_at=pd.Timestamp("2026-01-06"), stage="printing", baseline_min=60.0, actual_min=[63, 66, 66, 69]
    )
    passing = begin(read_runs(runs, Options()), Options(), model=ClosedForm)
    passing.run(lambda done, total: None)
    y = np.log(np.array([63, 66, 66, 69]) / 60)
    noise2 = np.mean((y - np.median(y)) ** 2)  # the first runs miss by what they are from their own middle
    left, mean = y.mean(), 0.0
    for variance in (0.25, 0.15**2, 0.15**2):  # lab, process, cell
        effect = left * 4 / (4 + noise2 / variance)
        left, mean = left - effect, mean + effect
    assert passing.learner.mean.sum() == pytest.approx(mean)


def test_old_runs_fade():
    runs = lab(400, weeks=40)
    late = runs["ended_at"] > runs["ended_at"].max() - pd.Timedelta(weeks=20)
    jumped = runs.assign(actual_min=np.where(late, 2, 1) * runs["actual_min"])
    passing = begin(read_runs(jumped, Options()), Options(), model=ClosedForm)
    passing.run(lambda done, total: None)
    assert np.exp(passing.learner.mean[passing.learner.design.columns["whole"]])[0] > 1.3 * 1.6
