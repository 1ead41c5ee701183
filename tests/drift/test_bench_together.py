"""Bench work of a small lab, charted together: what quotes assume of it, and events logged near a change."""

import numpy as np
import pandas as pd
import pytest

from calib.drift.check import check_drift
from calib.drift.series import TOGETHER

WEEK = pd.Timedelta(weeks=1)
STEP = np.log(1.5)


@pytest.fixture
def rare(make_errors):
    """Two bench stages with a run or so a week each, twice as long as the baseline and half as long; both slower from week 16 on."""
    errors = make_errors(stages=("sanding", "assembly"), runs=36, seed=4)
    start = errors["ended_at"].min()
    level = np.where(errors["stage"] == "sanding", np.log(2), np.log(0.5))
    slower = STEP * (errors["ended_at"] >= start + 16 * WEEK)
    errors["expected_min"] *= np.exp(level)
    errors["actual_min"] *= np.exp(level + slower)
    return errors.assign(now_min=errors["expected_min"] * np.exp(STEP))


def test_what_quotes_assume_is_told_of_bench_work_together_from_each_stages_own_level(rare):
    document = check_drift(rare, rare["ended_at"].max())
    (one,) = document["together"]
    assert one["stage"] == TOGETHER
    assert one["of"] == ["assembly", "sanding"]
    assert one["state"] == "drifting"
    assert one["now_min"] / one["plan_min"] == pytest.approx(1.5, rel=0.02)
    assert one["taken_up"] == pytest.approx(1.0, abs=0.35)
    assert 10 < one["plan_min"] < 80  # baselines are 20 to 40 min


def test_what_quotes_assume_is_not_known_without_what_the_model_says_now(rare):
    (one,) = check_drift(rare.drop(columns="now_min"), rare["ended_at"].max())["together"]
    assert (one["plan_min"], one["now_min"], one["taken_up"]) == (None, None, None)


def test_an_event_logged_two_weeks_after_the_change_is_beside_it(make_errors, find_stage):
    errors = make_errors(step=2.0)
    known = errors["ended_at"].max()
    quiet = find_stage(check_drift(errors, known), "washing")
    after = pd.Timestamp(quiet["since_high"], tz="UTC")
    events = pd.DataFrame(
        {
            "at": [after + 2 * WEEK, after + 6 * WEEK, after],
            "machine": ["V1", None, "another"],
            "station": None,
            "what": ["lamp measured", "too late", "elsewhere"],
            "note": None,
        }
    )
    washing = find_stage(check_drift(errors, known, events=events), "washing")
    assert [event["what"] for event in washing["events"]] == ["lamp measured"]
