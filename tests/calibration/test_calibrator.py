"""What must hold for any lab."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from labs import lab, plan

from calib.calibration.calibrator import Calibrator
from calib.errors import UsageError

LEVELS = (0.05, 0.1, 0.5, 0.9, 0.95)


def width(table: pd.DataFrame) -> float:
    return float(np.log(table[0.9] / table[0.1]).iloc[0])


def test_learns_the_ratio():
    found = Calibrator().fit(lab()).predict(plan(machine="A"), LEVELS)
    assert found[0.5].iloc[0] == pytest.approx(78.0, rel=0.06)
    assert found["runs_behind"].iloc[0] == (lab()["stage"] == "printing").sum()
    assert (np.diff(found[list(LEVELS)].to_numpy()) > 0).all()


def test_no_logs_give_the_prior():
    found = Calibrator(prior_only=True).predict(plan(prior_sd=0.3), LEVELS)
    assert found[0.9].iloc[0] == pytest.approx(60 * np.exp(0.3 * 1.2815516), rel=1e-4)
    assert found["runs_behind"].iloc[0] == 0


@pytest.mark.parametrize("n", [1, 2, 7])
def test_few_runs(n):
    made = Calibrator().fit(lab(n))
    found = made.predict(plan(prior_sd=0.4), LEVELS)
    assert np.isfinite(found.to_numpy(float)).all()
    assert len(made.errors_) == made.summary_["runs_used"] == n
    assert width(found) < 2 * 0.4 * 1.2816 * 1.6


def test_the_future_changes_no_error_of_the_past():
    runs = lab(200, weeks=20)
    week = (runs["ended_at"] - pd.Timestamp("2026-01-05", tz="UTC")).dt.days // 7
    whole, part = Calibrator().fit(runs).errors_, Calibrator().fit(runs[week < 11]).errors_
    for name in ("expected_min", "scale", "z", "pit", "runs_behind"):
        assert whole[name].iloc[: len(part)].to_numpy().tolist() == part[name].to_numpy().tolist()


def test_frames_asked_about_together_say_what_each_says_alone():
    made = Calibrator().fit(lab())
    frames = [
        pd.concat([plan(machine="A", build_id="x"), plan(machine="new", operator="bo", build_id="x")]),
        plan(stage="washing+printing", build_id="y"),
        plan(machine="newer", build_id="x").drop(columns="build_id"),
    ]
    for frame, seed, drawn in zip(frames, (1, 2, 3), made.draws_each(frames, 50, [1, 2, 3]), strict=True):
        assert drawn == pytest.approx(made.draws(frame, 50, seed), rel=1e-9)
    for frame, found in zip(frames, made.narrowing_each(frames), strict=True):
        pd.testing.assert_frame_equal(found, made.narrowing(frame), rtol=1e-9)
    assert made.draws_each([], 50, []) == made.narrowing_each([]) == []


def test_tables_keep_every_bit():
    made = Calibrator().fit(lab())
    again = Calibrator.from_tables({name: t.sample(frac=1.0, random_state=1) for name, t in made.to_tables().items()})
    rows = pd.concat([plan(machine="A", build_id="x"), plan(machine="new", operator="bo", build_id="x")])
    assert made.predict(rows, LEVELS).equals(again.predict(rows, LEVELS))
    assert np.array_equal(made.draws(rows, 50, 1), again.draws(rows, 50, 1))
    assert all(
        table.dtypes.map(lambda d: d.kind in "ifO" or str(d).startswith("str")).all()
        for table in made.to_tables().values()
    )


def test_an_unfitted_calibrator_can_be_stored():
    again = Calibrator.from_tables(Calibrator(prior_only=True).to_tables())
    assert again.predict(plan(), LEVELS).equals(Calibrator(prior_only=True).predict(plan(), LEVELS))


def test_unseen_levels_are_wider_not_an_error():
    made = Calibrator().fit(lab(400))
    known, new = made.predict(plan(machine="A"), LEVELS), made.predict(plan(machine="never seen"), LEVELS)
    assert width(new) > width(known)
    other = made.predict(plan().assign(process="PBF", stage="breakout"), LEVELS)
    assert width(other) > width(known)
    assert other["runs_behind"].iloc[0] == 0


def test_ties_do_not_collapse_the_scale():
    runs = lab(200)
    tied = np.arange(200) % 2 == 0
    runs["actual_min"] = np.where(tied, runs["baseline_min"], runs["actual_min"])
    assert width(Calibrator().fit(runs).predict(plan(), LEVELS)) > 0.05
    runs["actual_min"] = runs["baseline_min"]
    found = Calibrator().fit(runs).predict(plan(), LEVELS)
    assert 0 < width(found) < 0.2
    assert found[0.5].iloc[0] == pytest.approx(60, rel=0.01)


def test_a_jump_is_followed_and_an_error_is_not():
    runs = lab(450, weeks=15, spread=0.08)
    late = runs["ended_at"] >= runs["ended_at"].iloc[-1] - pd.Timedelta(weeks=3)
    jumped = runs.assign(actual_min=np.where(late & (runs["stage"] == "printing"), 1.5, 1.0) * runs["actual_min"])
    before = Calibrator().fit(runs).predict(plan(machine="A"), LEVELS)[0.5].iloc[0]
    after = Calibrator().fit(jumped).predict(plan(machine="A"), LEVELS)[0.5].iloc[0]
    assert after / before == pytest.approx(1.5, rel=0.1)
    wrong = runs.copy()
    wrong.loc[wrong.index[-20::20], "actual_min"] *= 40
    assert Calibrator().fit(wrong).predict(plan(machine="A"), LEVELS)[0.5].iloc[0] == pytest.approx(before, rel=0.03)


def test_stopped_runs_push_up_not_down():
    runs = lab(120)
    stopped = runs.iloc[::4].assign(actual_min=lambda r: r["actual_min"] * 0.3, censored=True)
    kept = runs.drop(stopped.index)
    answer = pd.concat([kept.assign(censored=False), stopped])
    taken_as_done = answer.assign(censored=False)
    one, two, three = (Calibrator().fit(r).predict(plan(), LEVELS)[0.5].iloc[0] for r in (kept, answer, taken_as_done))
    assert two == pytest.approx(one, rel=0.05)
    assert three < one


def test_a_found_end_counts_as_an_interval():
    runs = lab(90, spread=0.05)
    found = runs.assign(low_min=runs["actual_min"] * 0.95, actual_min=runs["actual_min"] * 1.05)
    one, two = (Calibrator().fit(r).predict(plan(), LEVELS)[0.5].iloc[0] for r in (runs, found))
    assert two == pytest.approx(one, rel=0.02)


def test_a_sum_of_stages_is_learned_as_a_sum():
    rng = np.random.default_rng(2)
    runs = pd.DataFrame(
        {
            "process": "PBF", "stage": "breakout+blasting", "baseline_min": 90.0,
            "actual_min": 90 * 1.4 * np.exp(0.05 * rng.standard_normal(60)),
            "ended_at": pd.date_range("2026-01-05", periods=60, freq="D"),
            "shares": [{"breakout": 60.0, "blasting": 30.0}] * 60,
        }
    )  # fmt: skip
    made = Calibrator().fit(runs)
    rows = pd.DataFrame({"process": "PBF", "stage": ["breakout", "blasting"], "baseline_min": [60.0, 30.0]})
    assert made.predict(rows, LEVELS)[0.5].sum() == pytest.approx(126, rel=0.05)


def test_floors_are_never_undercut():
    made = Calibrator().fit(lab())
    rows = plan(floor_min=75.0)
    assert (made.predict(rows, LEVELS)[list(LEVELS)].to_numpy() >= 75).all()
    assert made.draws(rows, 500, 1).min() >= 75


def test_draws_are_joint_and_repeatable():
    runs = lab(600)
    runs["build_id"] = [f"b{i // 6}" for i in range(600)]
    runs["actual_min"] *= np.exp(0.2 * np.random.default_rng(1).standard_normal(100)).repeat(6)
    made = Calibrator().fit(runs)
    rows = pd.concat(
        [plan(stage=stage, build_id=build) for stage, build in (("unloading", "x"), ("sanding", "x"), ("sanding", "y"))]
    )
    draws = made.draws(rows, 20_000, 7)
    assert np.array_equal(draws, made.draws(rows, 20_000, 7))
    assert not np.array_equal(draws, made.draws(rows, 20_000, 8))
    log = np.log(draws)
    together = np.corrcoef(log.T)
    assert together[0, 1] > max(0.4, together[0, 2] + 0.15)
    expected = made.predict(rows, (0.1, 0.5, 0.9))[[0.1, 0.5, 0.9]].to_numpy().T
    assert np.quantile(draws, [0.1, 0.5, 0.9], axis=0) == pytest.approx(expected, rel=0.03)
    assert np.log(made.draws(rows, 4000, 1, sd=0.5)).std() > log.std() * 1.5


def test_unusable_rows_are_counted_with_a_reason():
    runs = lab(60)
    runs.loc[0, "baseline_min"] = 0.0
    runs.loc[1, "actual_min"] = np.nan
    runs.loc[2, "ended_at"] = pd.NaT
    runs.loc[3, "stage"] = None
    made = Calibrator().fit(runs)
    assert made.summary_["runs_used"] == 56
    assert made.summary_["runs_left_out"] == {
        "no end": 1, "no group": 1, "no baseline above 0": 1, "no actual above 0": 1
    }  # fmt: skip


def test_errors_name_the_value_and_the_rule():
    with pytest.raises(UsageError, match="runs lack the columns baseline_min, actual_min"):
        Calibrator().fit(lab().drop(columns=["baseline_min", "actual_min"]))
    with pytest.raises(UsageError, match=r"row 0, column baseline_min: -1\.0 is not a duration"):
        Calibrator(prior_only=True).predict(plan(baseline_min=-1.0))
    with pytest.raises(UsageError, match=r"quantiles \(0\.5, 1\.0\): each must lie between 0 and 1"):
        Calibrator(prior_only=True).predict(plan(), (0.5, 1.0))
    with pytest.raises(TypeError, match="halflife"):
        Calibrator(halflife=3)


def test_any_group_columns():
    runs = lab(100).rename(columns={"process": "region", "stage": "kind"})
    made = Calibrator(group="kind").fit(runs)
    assert list(made.cells_.columns) == ["kind", "runs", "ratio_p50", "spread"]
    assert made.predict(pd.DataFrame({"kind": ["sanding"], "baseline_min": [10.0]}), (0.5,))[0.5].iloc[0] > 11


def test_cells_say_what_was_learned():
    made = Calibrator().fit(lab(600, spread=0.1))
    printing = made.cells_.set_index("stage").loc["printing"]
    assert printing["ratio_p50"] == pytest.approx(1.3 * np.exp(0.05), rel=0.05)
    assert printing["spread"] == pytest.approx(np.hypot(0.1, 0.05), rel=0.35)


def test_predicting_needs_no_heavy_library():
    code = (
        "import sys, pandas as pd; from calib.calibration.calibrator import Calibrator;"
        "r = pd.DataFrame({'process': ['MEX'], 'stage': ['printing'], 'baseline_min': [9.0]});"
        "Calibrator(prior_only=True).predict(r); Calibrator(prior_only=True).draws(r, 10, 1);"
        "print([m for m in ('scipy', 'sklearn', 'statsmodels') if m in sys.modules])"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert shown.strip() == "[]"


def test_a_million_to_one_log_does_not_break_the_fit():
    runs = lab(80)
    runs.loc[5, "actual_min"] = runs.loc[5, "baseline_min"] * 1e6
    runs.loc[6, "actual_min"] = runs.loc[6, "baseline_min"] * 1e-6
    assert Calibrator().fit(runs).predict(plan(machine="A"), (0.5,))[0.5].iloc[0] == pytest.approx(78, rel=0.12)


@pytest.mark.parametrize("nothing", [None, np.nan, "  "])
def test_a_row_without_a_group_is_no_run_and_its_plan_is_like_one_never_seen(nothing):
    runs = lab(60)
    runs["stage"] = runs["stage"].astype(object).where(np.arange(60) % 3 > 0, nothing)
    made = Calibrator().fit(runs)
    assert made.summary_["runs_left_out"] == {"no group": 20}
    found = made.predict(pd.concat([plan(), plan(stage=nothing)], ignore_index=True), LEVELS)
    assert np.isfinite(found.to_numpy()).all()
    assert found["runs_behind"].tolist()[1] == 0
    assert found[0.9][1] / found[0.1][1] > found[0.9][0] / found[0.1][0]


@pytest.mark.parametrize(
    ("column", "values", "sentence"),
    [
        ("censored", ["False", "True"], "column censored: 'False' is neither true nor false"),
        ("attended", ["yes", "no"], "column attended: 'yes' is neither true nor false"),
        ("actual_min", pd.to_timedelta([5, 6], unit="min"), "column actual_min holds timedelta64"),
        ("ended_at", ["monday", "2026-01-05"], "column ended_at"),
        ("ended_at", [5, 6], "column ended_at: int64 is a number"),
        ("ended_at", ["9999-12-31", "2026-01-05"], "column ended_at: Out of bounds"),
    ],
)
def test_a_column_of_another_kind_is_refused_not_guessed(column, values, sentence):
    with pytest.raises(UsageError, match=sentence):
        Calibrator().fit(lab(2).assign(**{column: values}))


def test_truth_may_be_written_as_numbers():
    runs = lab(40)
    flags = np.arange(40) % 2
    as_numbers, as_truth = (Calibrator().fit(runs.assign(censored=column)) for column in (flags, flags == 1))
    assert as_numbers.errors_["censored"].tolist() == as_truth.errors_["censored"].tolist()
    assert as_truth.errors_["censored"].sum() == 20


def test_dates_with_and_without_a_time_may_stand_in_one_column():
    runs = lab(2).assign(ended_at=["2026-01-05", "2026-01-05 10:00:00"])
    assert Calibrator().fit(runs).summary_["runs_used"] == 2


def test_what_is_no_frame_or_has_a_column_twice_is_refused():
    with pytest.raises(UsageError, match="pandas frame, not list"):
        Calibrator().fit([1, 2])
    with pytest.raises(UsageError, match="the column stage twice"):
        Calibrator().fit(pd.concat([lab(2), lab(2)[["stage"]]], axis=1))


@pytest.mark.parametrize("quantiles", [(np.nan,), ("a",), (1.5,), (0.0,)])
def test_quantiles_lie_between_0_and_1(quantiles):
    with pytest.raises(UsageError, match="between 0 and 1"):
        Calibrator(prior_only=True).predict(plan(), quantiles)


@pytest.mark.parametrize(
    "option",
    [{"nu": 2}, {"nu": np.nan}, {"nu": 1e9}, {"step_nu": -1}, {"most_effects": 5}, {"group": ("stage", "stage")}],
)
def test_options_that_cannot_work_are_refused(option):
    with pytest.raises(UsageError, match=next(iter(option))):
        Calibrator(**option).fit(lab(3))


def test_a_label_may_hold_the_separator():
    made = Calibrator().fit(lab(3).assign(stage="a\x1fb"))
    assert made.cells_["stage"].tolist() == ["a b"]
