import re

import numpy as np
import pandas as pd
import pytest

from calib.drift.check import check_drift
from calib.errors import CalibError

START = pd.Timestamp("2026-01-05", tz="UTC")
WEEK = pd.Timedelta(weeks=1)


def test_a_planted_step_is_found_with_its_date_inside_the_range(make_errors, find_stage):
    errors = make_errors(step=1.0)
    document = check_drift(errors, errors["ended_at"].max(), false_alarms_per_year=0.1)
    washing = find_stage(document, "washing")
    assert washing["state"] == "drifting"
    assert washing["since_low"] <= "2026-04-27" <= washing["since_high"]
    assert washing["change_pct_low"] < 100 * np.expm1(0.2) < washing["change_pct_high"]
    assert washing["minutes_per_build"] > 0
    assert washing["hours_a_month"] > 0
    assert find_stage(document, "printing")["state"] == "steady"
    assert find_stage(document, "printing")["change_pct"] is None


def test_a_creep_is_called_so_and_dated_at_its_beginning(make_errors, find_stage):
    errors = make_errors()
    weeks = (errors["ended_at"] - START) / WEEK
    creep = np.where(errors["stage"] == "washing", np.maximum(weeks - 10, 0) * 0.03, 0.0)
    errors["actual_min"] *= np.exp(creep)
    washing = find_stage(check_drift(errors, errors["ended_at"].max()), "washing")
    assert washing["shape"] == "creep"
    assert washing["since_low"] <= "2026-03-16" <= washing["since_high"]
    assert washing["change_pct_low"] < 100 * np.expm1(16 * 0.03) < washing["change_pct_high"]
    # both machines crept alike: each stands now where the stage does, not at the mean of its way there
    assert washing["creeps"]
    machines = [one["change_pct"] for one in washing["slices"] if one["by"] == "machine"]
    assert len(machines) == 2
    assert np.mean(np.log1p(np.array(machines) / 100)) == pytest.approx(np.log1p(washing["change_pct"] / 100), rel=0.1)


def test_what_the_model_followed_is_found_all_the_same(make_errors, find_stage):
    # the model learned the step within a week: hardly any error is left, but its own level tells
    errors = make_errors(step=1.0)
    followed = np.where((errors["stage"] == "washing") & (errors["ended_at"] >= START + 17 * WEEK), 0.2, 0.0)
    errors["expected_min"] *= np.exp(followed)
    errors["now_min"] = errors["expected_min"]
    errors["now_min"] = errors["baseline_min"] * np.exp(0.2 * (errors["stage"] == "washing"))
    washing = find_stage(check_drift(errors, errors["ended_at"].max()), "washing")
    assert washing["state"] == "drifting"
    assert washing["taken_up"] == pytest.approx(1.0, abs=0.35)
    assert washing["now_min"] / washing["plan_min"] == pytest.approx(np.exp(0.2), abs=0.06)


def test_after_acceptance_the_stage_is_steady_and_a_new_change_cries(make_errors, find_stage):
    errors = make_errors(step=1.5, at_week=8)
    known = START + 16 * WEEK
    found = find_stage(check_drift(errors, known), "washing")
    assert found["state"] == "drifting"
    accepted = [{"process": "VPP", "stage": "washing", "since": found["since"], "accepted_at": known}]
    for day in (known, errors["ended_at"].max()):
        later = find_stage(check_drift(errors, day, accepted=accepted), "washing")
        assert later["state"] == "steady"
        assert later["accepted_since"] == found["since"]
    again = (errors["stage"] == "washing") & (errors["ended_at"] >= START + 18 * WEEK)
    errors.loc[again, "actual_min"] *= np.exp(0.3)
    new = find_stage(check_drift(errors, errors["ended_at"].max(), accepted=accepted), "washing")
    assert new["state"] == "drifting"
    assert new["since_low"] <= "2026-05-11" <= new["since_high"]
    assert new["change_pct"] == pytest.approx(100 * np.expm1(0.3), abs=12)


def test_nothing_later_than_as_of_is_looked_at(make_errors, find_stage):
    early = check_drift(make_errors(step=3.0), START + 15 * WEEK)
    assert find_stage(early, "washing")["state"] == "steady"


def test_no_change_is_dated_inside_the_first_weeks(make_errors, find_stage):
    # the calibration still learns what is whose: a first run of 220 min, or a fortnight of slow ones, is no plan
    errors = make_errors()
    first = (errors["stage"] == "washing") & (errors["ended_at"] < START + 2 * WEEK)
    errors.loc[first, "actual_min"] *= 2
    washing = find_stage(check_drift(errors, errors["ended_at"].max()), "washing")
    assert washing["state"] == "steady" or washing["since"] >= "2026-02-02"


def test_what_went_back_is_steady_and_said(make_errors, find_stage):
    errors = make_errors()
    for_a_while = (errors["stage"] == "washing") & errors["ended_at"].between(START + 8 * WEEK, START + 12 * WEEK)
    errors.loc[for_a_while, "actual_min"] *= np.exp(0.4)
    washing = find_stage(check_drift(errors, errors["ended_at"].max()), "washing")
    assert washing["state"] == "steady"
    (answer,) = washing["causes"]
    assert "slower from" in answer
    assert "Mar 2026 to" in answer


def test_what_went_half_the_way_back_is_still_a_change(make_errors, find_stage):
    errors = make_errors()
    weeks = (errors["ended_at"] - START) / WEEK
    up = np.where(weeks >= 8, 0.5, 0.0) - np.where(weeks >= 14, 0.25, 0.0)
    errors["actual_min"] *= np.exp(np.where(errors["stage"] == "washing", up, 0.0))
    washing = find_stage(check_drift(errors, errors["ended_at"].max()), "washing")
    assert (washing["state"], washing["causes"]) == ("drifting", [])


def test_few_runs_are_said_to_be_few(make_errors):
    errors = make_errors(runs=5)
    assert {row["state"] for row in check_drift(errors, errors["ended_at"].max())["stages"]} == {"too_few_runs"}


def test_cut_short_and_guessed_minutes_are_left_out(make_errors, find_stage):
    errors = make_errors()
    late = (errors["stage"] == "washing") & (errors["ended_at"] > START + 16 * WEEK) & (errors.index % 2 == 0)
    errors.loc[late, "actual_min"] *= 3
    errors.loc[late, "found"] = True
    washing = find_stage(check_drift(errors, errors["ended_at"].max()), "washing")
    assert (washing["state"], washing["runs"]) == ("steady", int((errors["stage"] == "washing").sum() - late.sum()))


def test_missing_columns_are_named(make_errors):
    with pytest.raises(CalibError, match="lack the columns scale"):
        check_drift(make_errors().drop(columns="scale"), START)


def test_events_near_the_change_stand_beside_it_those_of_other_machines_do_not(make_errors, find_stage):
    errors = make_errors(step=2.0)
    day = START + 16 * WEEK
    events = pd.DataFrame(
        {"at": [day, day, START], "machine": ["V1", "M9", "V1"], "station": None, "what": ["lamp", "firmware", "move"],
         "note": None}
    )  # fmt: skip
    washing = find_stage(check_drift(errors, errors["ended_at"].max(), events=events), "washing")
    assert [event["what"] for event in washing["events"]] == ["lamp"]


def test_a_stage_that_became_erratic_is_told_and_keeps_its_state(make_errors, find_stage):
    errors = make_errors(noise="normal")
    wild = (errors["stage"] == "printing") & (errors["ended_at"] >= START + 14 * WEEK)
    errors.loc[wild, "actual_min"] = errors["baseline_min"] * (errors["actual_min"] / errors["baseline_min"]) ** 2.2
    # few alarms asked for: the level of a stage whose spread has doubled is all the noisier
    document = check_drift(errors, errors["ended_at"].max(), false_alarms_per_year=0.2)
    printing = find_stage(document, "printing")
    assert printing["state"] == "steady"
    assert printing["erratic"]["change_pct_low"] < 120 < printing["erratic"]["change_pct_high"]
    assert abs(pd.Timestamp(printing["erratic"]["since"], tz="UTC") - (START + 14 * WEEK)) < 3 * WEEK
    assert find_stage(document, "packing")["erratic"] is None


def test_bench_work_with_few_runs_is_charted_together(make_errors):
    names = ["unloading", "support_removal", "inspection", "packing", "machine_cleaning", "sanding"]
    errors = make_errors(stages=names, runs=26)
    errors.loc[errors["ended_at"] >= START + 16 * WEEK, "actual_min"] *= np.exp(0.2)
    document = check_drift(errors, errors["ended_at"].max(), false_alarms_per_year=1.0)
    (together,) = document["together"]
    assert (together["stage"], together["state"], together["runs"]) == ("bench_work", "drifting", 6 * 26)
    assert together["since_low"] <= "2026-04-27" <= together["since_high"]
    assert together["where"] == "the whole stage"


def test_a_spread_that_the_fit_had_yet_to_learn_is_no_erratic_stage(make_errors, find_stage):
    errors = make_errors(noise="normal")
    early = (errors["stage"] == "printing") & (errors["ended_at"] < START + 12 * WEEK)
    errors.loc[early, "scale"] *= 3  # expected wide at first; the errors themselves stay as they are
    document = check_drift(errors, errors["ended_at"].max())
    assert find_stage(document, "printing")["erratic"] is None


def test_an_event_near_the_day_a_stage_became_erratic_is_beside_it(make_errors, find_stage):
    errors = make_errors(noise="normal")
    wild = (errors["stage"] == "printing") & (errors["ended_at"] >= START + 14 * WEEK)
    errors.loc[wild, "actual_min"] = errors["baseline_min"] * (errors["actual_min"] / errors["baseline_min"]) ** 2.2
    day = START + 15 * WEEK
    events = pd.DataFrame(
        {"at": [day, day], "machine": ["V1", "M9"], "station": None, "what": ["new head", "elsewhere"], "note": None}
    )
    known = errors["ended_at"].max()
    printing = find_stage(check_drift(errors, known, false_alarms_per_year=0.2, events=events), "printing")
    assert [event["what"] for event in printing["events"]] == ["new head"]
    assert printing["erratic"]["since"] < printing["erratic"]["alarm_at"]


@pytest.mark.parametrize("cause", ["mix", "back"])
def test_days_in_a_cause_are_spoken(make_errors, find_stage, cause):
    errors = make_errors()
    late = (errors["stage"] == "washing") & (errors["ended_at"] >= START + 16 * WEEK)
    if cause == "mix":
        kind = np.random.default_rng(2).random(len(errors)) < np.where(late, 0.85, 0.2)
        errors["material"] = np.where(kind, "tough", "clear")
        errors.loc[(errors["stage"] == "washing") & kind, "actual_min"] *= np.exp(0.4)
    else:
        errors.loc[late & (errors["ended_at"] < START + 20 * WEEK), "actual_min"] *= np.exp(0.4)
    (answer,) = find_stage(check_drift(errors, errors["ended_at"].max()), "washing")["causes"]
    assert re.search(r"\d (Apr|May) 2026", answer)
    assert not re.search(r"\d{4}-\d\d-\d\d", answer)
