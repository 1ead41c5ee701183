"""Whatever is given: a sentence with place, value, rule and remedy, or a sensible result; never a raw error."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from labs import lab, plan

from calib.calibration.backtest import replay
from calib.calibration.calibrator import Calibrator
from calib.errors import CalibError, StoreError, UsageError

LEVELS = (0.1, 0.5, 0.9)


@pytest.fixture(scope="module")
def made() -> Calibrator:
    return Calibrator().fit(lab(40))


def one_value(runs: pd.DataFrame, name: str, value: object) -> pd.DataFrame:
    return runs.assign(**{name: pd.Series([value] * len(runs), index=runs.index, dtype=object)})


def sensible(found: pd.DataFrame) -> bool:
    minutes = found[list(LEVELS)].to_numpy(float)
    return bool(np.isfinite(minutes).all() and (minutes > 0).all() and (np.diff(minutes) >= 0).all())


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("baseline_min", 0, "row 0, column baseline_min: 0 is not a duration"),
        ("baseline_min", -3.0, "-3.0 is not a duration; minutes above 0"),
        ("baseline_min", np.inf, "inf is not a duration"),
        ("baseline_min", None, "None is not a duration"),
        ("baseline_min", "sixty", "'sixty' is not a duration"),
        ("baseline_min", 1e300, r"up to 1e\+50"),
        ("baseline_min", 5e-324, "5e-324 is not a duration"),
        ("baseline_min", 1 + 2j, "complex128; numbers expected"),
        ("prior_sd", 1e6, "column prior_sd: 1000000.0 is not an sd of log minutes from 0 to 10"),
        ("prior_sd", -1, "-1 is not an sd"),
        ("prior_sd", "wide", "'wide' is not an sd"),
        ("floor_min", np.inf, "column floor_min: inf is not a floor"),
        ("floor_min", -5, "-5 is not a floor"),
        ("floor_min", "x", "'x' is not a floor"),
        ("machine", [1], r"column machine: \[1\] is not one value"),
        ("stage", {"a": 1}, "column stage: .* is not one value"),
        ("build_id", {1}, r"column build_id: \{1\} is not one value"),
        ("attended", [True], "column attended: .* is not one value"),
        ("attended", 2, "column attended: 2 is neither true nor false"),
        ("shares", 5, "column shares: 5 does not say the minutes of each stage"),
        ("shares", {"breakout": "x"}, "does not say the minutes of each stage.* Give numbers by stage"),
        ("shares", {"breakout": np.inf}, "does not say the minutes"),
        ("shares", {"breakout": -1}, "does not say the minutes"),
        ("shares", {"breakout": [1]}, "does not say the minutes"),
    ],
)
def test_a_strange_value_of_a_plan_is_named_with_its_row_and_a_remedy(made, name, value, message):
    rows = one_value(plan(stage="breakout+blasting" if name == "shares" else "printing"), name, value)
    for answer in (made.predict, lambda frame: made.draws(frame, 3, 1), Calibrator(prior_only=True).predict):
        with pytest.raises(UsageError, match=message) as refused:
            answer(rows)
        assert refused.value.hint


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("prior_sd", None), ("prior_sd", 0), ("prior_sd", 10), ("floor_min", None), ("floor_min", 0), ("baseline_min", "60"),
        ("machine", ("a",)), ("machine", 1.5), ("machine", pd.NA), ("machine", b"\xff"), ("machine", "x" * 100_000),
        ("machine", "\x1f"), ("machine", pd.Timestamp("2026-01-01")), ("stage", 5), ("stage", "+"), ("stage", "a+"),
        ("stage", "printing+printing"), ("stage", None), ("attended", 1.0), ("attended", None), ("term_0", "x"),
        ("term_0", np.inf), ("basis", 5), ("build_id", None), ("shares", None), ("shares", np.nan),
    ],
)  # fmt: skip
def test_an_unusual_value_of_a_plan_gives_a_range(made, name, value):
    rows = one_value(plan(stage="breakout+blasting" if name == "shares" else "printing"), name, value)
    for model in (made, Calibrator(prior_only=True)):
        assert sensible(model.predict(rows, LEVELS))
        assert np.isfinite(model.draws(rows, 3, 1)).all()


RUNS = lab(30)
ODD = np.arange(30) % 2 == 1


@pytest.mark.parametrize(
    ("columns", "used"),
    [
        ({"actual_min": RUNS["actual_min"].where(ODD, np.inf)}, 15),
        ({"actual_min": RUNS["actual_min"].where(ODD, 1e308)}, 15),
        ({"actual_min": 5e-324}, 0),
        ({"baseline_min": -1.0}, 0),
        ({"baseline_min": pd.array([60.0, None] * 15, dtype="Float64")}, 15),
        ({"baseline_min": RUNS["baseline_min"].astype("category")}, 30),
        ({"baseline_min": RUNS["baseline_min"].astype("float32")}, 30),
        ({"actual_min": RUNS["baseline_min"]}, 30),
        ({"actual_min": 60.0, "baseline_min": 60.0}, 30),
        ({"actual_min": RUNS["baseline_min"] * np.where(ODD, 1e9, 1e-9)}, 30),
        ({"censored": True}, 30),
        ({"censored": pd.array([True, None] * 15, dtype="boolean")}, 30),
        ({"censored": pd.Series(ODD).astype("category")}, 30),
        ({"stage": RUNS["stage"].astype("category"), "machine": RUNS["machine"].astype("category")}, 30),
        ({"stage": 5}, 30),
        ({"machine": pd.Series([1, "a", None, 2.5, True, b"\xff"] * 5, dtype=object)}, 30),
        ({"ended_at": RUNS["ended_at"].dt.tz_convert("Europe/Berlin")}, 30),
        ({"ended_at": RUNS["ended_at"].dt.tz_localize(None)}, 30),
        ({"ended_at": ["2026-01-05T08:00+01:00", "2026-01-05T08:00-05:00"] * 15}, 30),
        ({"ended_at": RUNS["ended_at"].iloc[0]}, 30),
        ({"ended_at": [pd.Timestamp("1700-01-01"), pd.Timestamp("2200-01-01")] * 15}, 30),
        ({"build_id": "one"}, 30),
        ({"low_min": np.inf}, 30),
        ({"prior_sd": 1e300, "floor_min": -np.inf}, 30),
        ({"stage": "breakout+blasting", "shares": None}, 30),
    ],
)
def test_unusual_runs_are_learned_from_or_counted(columns, used):
    runs = RUNS.assign(**columns)
    learned = Calibrator().fit(runs)
    assert learned.summary_["runs_used"] == len(learned.errors_) == used
    assert used + sum(learned.summary_["runs_left_out"].values()) == len(runs)
    assert sensible(learned.predict(plan(), LEVELS))


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("machine", [1], r"column machine: \[1\] is not one value"),
        ("operator", {"a": 1}, "column operator"),
        ("censored", [1], r"column censored: \[1\] is not one value"),
        ("censored", 2, "column censored: 2 is neither"),
        ("ended_at", 0, "column ended_at: numbers in it"),
        ("ended_at", np.inf, "column ended_at: numbers in it"),
        ("ended_at", "x", "column ended_at"),
        ("baseline_min", 1 + 2j, "column baseline_min holds complex128"),
    ],
)
def test_a_column_of_runs_that_cannot_be_read_is_named(name, value, message):
    with pytest.raises(UsageError, match=message):
        Calibrator().fit(one_value(RUNS, name, value))


@pytest.mark.parametrize(
    "runs", [RUNS.iloc[:0], RUNS.iloc[:1], pd.concat([RUNS, RUNS]), RUNS.set_index("stage", drop=False)]
)
def test_frames_of_any_index_and_length(runs):
    learned = Calibrator().fit(runs)
    found = learned.predict(runs, LEVELS)
    assert found.index.equals(runs.index)
    assert sensible(found)
    assert learned.draws(runs, 2, 1).shape == (2, len(runs))
    assert sensible(Calibrator.from_tables(learned.to_tables()).predict(plan(), LEVELS))
    assert len(replay(runs)) <= len(runs)


@pytest.mark.parametrize(
    "option",
    [
        {"robust": "no"}, {"robust": None}, {"dynamic": 2}, {"recalibrate": np.nan}, {"window": 1.5}, {"window": "4"},
        {"window": None}, {"window": np.inf}, {"window": 0}, {"sweeps": True}, {"sweeps": np.nan}, {"nu": "5"}, {"nu": None},
        {"nu": [5]}, {"step_nu": np.inf}, {"step_nu": "x"}, {"most_effects": None}, {"most_effects": 10**9},
        {"group": 5}, {"group": None}, {"group": [["a"]]}, {"group": ()},
    ],
)  # fmt: skip
def test_an_option_that_cannot_work_is_refused_with_its_value(option):
    with pytest.raises(UsageError, match=next(iter(option))):
        Calibrator(**option).fit(RUNS)


@pytest.mark.parametrize(
    "option", [{"robust": np.True_}, {"dynamic": 0}, {"window": 3.0}, {"nu": np.float64(7)}, {"group": ["stage"]}]
)
def test_an_option_may_be_written_in_another_way(option):
    assert sensible(Calibrator(**option).fit(RUNS).predict(plan(), LEVELS))


@pytest.mark.parametrize("quantiles", [(0.5, None), ("0.5",), (True,), (-np.inf,)])
def test_quantiles_of_another_kind_are_refused(made, quantiles):
    with pytest.raises(UsageError, match=r"quantiles .*: each must lie between 0 and 1"):
        made.predict(plan(), quantiles)


@pytest.mark.parametrize(
    ("how", "message"),
    [
        ({"n": -1}, "n is -1; a whole number"), ({"n": 1.5}, "n is 1.5"), ({"n": "x"}, "n is 'x'"), ({"n": None}, "n is None"),
        ({"seed": -1}, "seed is -1"), ({"seed": 1.5}, "seed is 1.5"), ({"seed": "x"}, "seed is 'x'"),
        ({"sd": -1}, "sd -1: an sd of log minutes lies between 0 and 10"), ({"sd": np.inf}, "sd inf"), ({"sd": "x"}, "sd 'x'"),
        ({"sd": [0.1, 0.2]}, "one for each of 1 rows"),
    ],
)  # fmt: skip
def test_draws_of_a_strange_number_are_refused(made, how, message):
    with pytest.raises(UsageError, match=message):
        made.draws(plan(), **({"n": 3, "seed": 1} | how))


@pytest.mark.parametrize("more", [0, -1, "x", 1.5])
def test_narrowing_needs_a_number_of_runs(made, more):
    with pytest.raises(UsageError, match=r"more is .*; a whole number"):
        made.narrowing(plan(machine="A"), more)


def test_nothing_cannot_be_taken_apart(made):
    for look in (made.narrowing, made.effects):
        with pytest.raises(UsageError, match="no rows to look at"):
            look(RUNS.iloc[:0])


@pytest.mark.parametrize("weeks", [0, -1, 1.5, "x"])
def test_weeks_of_a_replay_are_a_whole_number(weeks):
    with pytest.raises(UsageError, match="weeks is"):
        replay(RUNS, weeks=weeks)


def test_tables_that_lack_something_are_said_to_be_incomplete(made):
    tables = made.to_tables()
    for name in tables:
        for table in (tables[name].iloc[:0], tables[name].iloc[:, :-1]):
            try:
                found = Calibrator.from_tables({**tables, name: table}).predict(plan(), LEVELS)
            except CalibError as error:
                assert isinstance(error, StoreError)
                assert "incomplete" in str(error)
                continue
            no_sites = name == "effects" and len(
                table
            )  # its last column says what other sites know: nothing, as in older fits
            no_trees = name.startswith("second_law_")  # none has weight here
            assert name in ("labels", "cells", "usage") or no_sites or no_trees
            assert sensible(found)
