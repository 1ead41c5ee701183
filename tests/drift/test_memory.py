"""What one look leaves to the next: limits of a quarter, alarms that stay until they end, dates that stay as first told."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from calib.drift.check import check_drift
from calib.drift.memory import Kept

START = pd.Timestamp("2026-01-05", tz="UTC")
WEEK = pd.Timedelta(weeks=1)
NOTHING = Kept()


def mondays(errors, first, last, kept=NOTHING, **options):
    """The documents of looks at the logs as they were week by week, each knowing what those before left."""
    documents = []
    for week in range(first, last + 1):
        known = errors[errors["ended_at"] < START + week * WEEK]
        documents.append(check_drift(known, known["ended_at"].max(), kept=kept, **options))
        kept = kept.after(documents[-1])
    return documents, kept


def slower_while(errors, first, last, size):
    there = (errors["stage"] == "washing") & errors["ended_at"].between(START + first * WEEK, START + last * WEEK)
    return errors.assign(actual_min=errors["actual_min"] * np.where(there, np.exp(size), 1.0))


@pytest.mark.parametrize(("runs", "step"), [(260, 0.7), (90, 1.2)])
def test_an_alarm_stays_and_its_day_stays_inside_the_range_first_told(make_errors, find_stage, runs, step):
    documents, _ = mondays(make_errors(step=step, runs=runs, at_week=12, seed=5), 13, 26)
    answer = [find_stage(document, "washing") for document in documents]
    first = next(i for i, row in enumerate(answer) if row["state"] == "drifting")
    assert {row["state"] for row in answer[first:]} == {"drifting"}
    assert len({row["known_since"] for row in answer[first:]}) == 1
    assert answer[first]["known_since"] == documents[first]["as_of"]
    for before, row in zip(answer[first:], answer[first + 1 :], strict=False):
        kept = row["since"] == before["since"]
        assert kept or not before["since_low"] <= row["since"] <= before["since_high"]


def test_limits_are_those_of_their_quarter_whenever_one_looks(make_errors):
    errors = make_errors(runs=120)
    documents, kept = mondays(errors, 14, 17)
    fresh = mondays(errors, 17, 17)[0][0]
    quarter = [row for row in kept.limits if row["quarter"] == "2026-04-01"]
    assert quarter == [row for row in fresh["limits"] if row["quarter"] == "2026-04-01"]
    assert sum(row["process"] == "VPP" for row in quarter) == 3
    other = check_drift(errors, START + 17 * WEEK, kept=kept, false_alarms_per_year=0.1)
    assert min(row["level"] for row in other["limits"]) > max(row["level"] for row in quarter)


def test_an_alarm_whose_logs_are_corrected_ends_as_mended_and_one_that_holds_stays(make_errors, find_stage):
    errors = slower_while(make_errors(), 16, 30, 0.3)
    _, kept = mondays(errors, 20, 20)
    right = slower_while(errors, 16, 30, -0.3)
    less = slower_while(errors, 16, 30, -0.05)
    for corrected, state, why in ((right, "steady", {"mended"}), (less, "drifting", {None})):
        (document,), _ = mondays(corrected, 21, 21, kept)
        washing = find_stage(document, "washing")
        assert washing["state"] == state
        assert {alarm["ended_why"] for alarm in washing["alarms"]} == why
    assert washing["known_since"] == find_stage(mondays(errors, 20, 20)[0][0], "washing")["known_since"]


def test_what_went_back_has_ended_and_does_not_return(make_errors, find_stage):
    errors = slower_while(make_errors(), 10, 14, 0.4)
    answer = [find_stage(document, "washing") for document in mondays(errors, 13, 26)[0]]
    states = [row["state"] for row in answer]
    assert states[0] == "drifting"
    assert states[-1] == "steady"
    assert states == sorted(states)
    assert {alarm["ended_why"] for alarm in answer[-1]["alarms"]} == {"went back"}


def test_an_accepted_alarm_is_not_found_again_and_is_kept_for_its_taking_back(make_errors, find_stage):
    errors = make_errors(step=1.5, at_week=10)
    (look,), kept = mondays(errors, 16, 16)
    found = find_stage(look, "washing")
    accepted = [{"process": "VPP", "stage": "washing", "since": found["since"], "accepted_at": START + 16 * WEEK}]
    documents, later = mondays(errors, 17, 19, kept, accepted=accepted)
    assert {find_stage(document, "washing")["state"] for document in documents} == {"steady"}
    again = find_stage(mondays(errors, 20, 20, later)[0][0], "washing")
    assert (again["state"], again["known_since"]) == ("drifting", found["known_since"])
