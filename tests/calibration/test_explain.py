"""The correction split into effects against labs whose effects were planted; the runs that look wrong."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from calib.calibration.calibrator import Calibrator
from calib.calibration.explain import PERSON_RUNS
from calib.calibration.outliers import find_suspects

PLANTED = {"new": -0.2, "old": 0.0}


def lab(n: int = 300, seed: int = 2) -> pd.DataFrame:
    """One stage on two machines with 0.3 in all, 0.2 less on the new machine, and 0.1 less for each log unit of size."""
    rng = np.random.default_rng(seed)
    machine = rng.choice(list(PLANTED), n)
    log_size = rng.normal(0, 0.5, n)
    y = 0.3 + np.vectorize(PLANTED.get)(machine) - 0.1 * log_size + 0.1 * rng.standard_normal(n)
    baseline = np.exp(4 + log_size)
    return pd.DataFrame(
        {
            "process": "MEX",
            "stage": "unloading",
            "run_key": [f"r{i}" for i in range(n)],
            "build_id": [f"b{i}" for i in range(n)],
            "machine": machine,
            "station": machine,
            "operator": np.where(np.arange(n) < n - PERSON_RUNS + 1, rng.choice(["ann", "bo"], n), "cy"),
            "baseline_min": baseline,
            "actual_min": baseline * np.exp(y),
            "ended_at": pd.Timestamp("2026-01-05", tz="UTC") + pd.to_timedelta(np.arange(n) * 7, unit="h"),
        }
    )


@pytest.fixture(scope="module")
def found() -> pd.DataFrame:
    rows = lab()
    return Calibrator().fit(rows).effects(rows)


def test_machines_are_told_apart_from_their_usual_mix(found):
    values = found[(found["kind"] == "value") & (found["factor"] == "machine")].set_index("value")
    apart = np.log1p(values["per_cent"] / 100)
    assert apart["old"] - apart["new"] == pytest.approx(0.2, abs=0.03)
    assert (values["low"] < values["per_cent"]).all()
    assert (values["per_cent"] < values["high"]).all()
    assert values["runs"].sum() == 300


def test_a_station_that_is_the_machine_is_not_shown_twice(found):
    assert "station" not in set(found.loc[found["kind"] == "value", "factor"])


def test_parts_multiply_to_the_total_which_is_surer_than_they_are(found):
    parts = found[found["kind"] == "part"]
    total = found[found["kind"] == "total"].iloc[0]
    assert np.prod(1 + parts["per_cent"] / 100) == pytest.approx(1 + total["per_cent"] / 100, rel=1e-9)
    assert total["high"] - total["low"] < (parts["high"] - parts["low"]).max()
    typical = 0.3 - 0.1 - 0.1 * 0  # half of the runs on the new machine, of usual size
    assert np.log1p(total["per_cent"] / 100) == pytest.approx(typical, abs=0.06)


def test_size_slope_is_what_was_planted(found):
    size = found[found["kind"] == "size"].iloc[0]
    assert np.log1p(size["per_cent"] / 100) == pytest.approx(-0.1 * np.log(2), abs=0.02)


def test_a_person_with_few_runs_is_not_told_apart(found):
    persons = found[(found["kind"] == "value") & (found["factor"] == "operator")]
    assert persons["value"].tolist() == ["ann", "bo"]


def errors_of(ratios: dict[int, float], n: int = 60) -> pd.DataFrame:
    """Errors of a steady stage of 100 min expected, sd 0.1 of the log, some runs ``ratio`` times as long."""
    rng = np.random.default_rng(4)
    off = 0.1 * rng.standard_normal(n)
    for at, ratio in ratios.items():
        off[at] = np.log(ratio)
    return pd.DataFrame(
        {
            "run_key": [f"r{i}" for i in range(n)],
            "expected_min": 100.0,
            "actual_min": 100 * np.exp(off),
            "z": off / 0.1,
            "runs_behind": range(n),
        }
    )


@pytest.mark.parametrize(
    ("ratio", "says"),
    [(6.0, "a timer that nobody stopped"), (60.0, "seconds written as minutes"), (1 / 60, "hours written as minutes"),
     (0.2, "only a part of the work"), (2.0, "or a hard build")],
)  # fmt: skip
def test_a_run_alone_is_likely_a_wrong_log(ratio, says):
    first = find_suspects(errors_of({30: ratio})).iloc[0]
    assert first["run_key"] == "r30"
    assert first["likely_wrong"]
    assert says in first["says"]


def test_runs_that_are_all_slower_are_a_change():
    found = find_suspects(errors_of(dict.fromkeys(range(30, 40), 1.7)))
    assert not found["likely_wrong"].any()
    assert set(found["says"]) == {"others around it too: the work changed"}


def test_little_was_known_of_first_runs():
    assert find_suspects(errors_of({1: 1.35})).iloc[0]["says"] == "one of its first runs: little was known"


def test_a_cell_without_runs_is_told_by_its_parents():
    rows = lab(100)
    plan = pd.DataFrame({"process": ["MEX"], "stage": ["sanding"], "baseline_min": [60.0]})
    found = Calibrator().fit(rows).effects(plan).set_index("factor")
    assert (found.loc["process", "runs"], found.loc["", "runs"]) == (100, 0)
    assert set(found["kind"]) == {"total", "part"}


def test_a_shared_load_is_one_run_and_a_stopped_one_is_no_error():
    errors = errors_of({20: 9.0, 21: 9.0, 40: 0.01})
    errors.loc[21, "run_key"] = "r20"
    errors["censored"] = errors.index == 40
    found = find_suspects(errors, count=3)
    assert found["run_key"].tolist().count("r20") == 1
    assert "r40" not in set(found["run_key"])
