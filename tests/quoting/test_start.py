"""When to start: unattended ends in staffed hours, and never later in hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.calibration.calibrator import Calibrator
from calib.calibration.waits import Waits
from calib.quoting.document import quote
from calib.quoting.learned import Learned
from calib.quoting.typical_schedule import unattended


def advice(request, shop, box, learned, draws=200):
    return quote(request, shop, [box], learned, draws=draws)["start_advice"]


def at(request, hour, minute=0):
    return replace(request, start=request.start.replace(hour=hour, minute=minute))


@pytest.fixture
def only_mex(shop):
    """One large extruder, open 8 to 17."""
    large = replace(shop.machines["mex1"], build_mm=(900.0, 900.0, 250.0))
    return replace(shop, machines={"mex1": large}, crews={}, stations={})


def test_a_start_is_put_off_until_its_end_falls_into_the_morning(only_mex, box, request_for, certain, plain_physics):
    # printing 60 + 10 x 87 = 930 min and cooling 6: from 15:54 (four stages of 6 min before) it ends at 7:30, closed
    # until 8:00; begun at 16:30 it ends at 8:06
    found = advice(at(request_for(87), 15, 30), only_mex, box, Learned(certain), draws=20)
    assert found["at_once"]["start_at"] == "2026-11-25T15:54+01:00"
    assert found["at_once"]["chance_staffed"] == 0
    assert found["advised"] == {
        "start_at": "2026-11-25T16:30+01:00",
        "chance_staffed": 1.0,
        "in_hand_at": "2026-11-26T08:06+01:00",
    }
    assert found["text"].startswith(
        "Start the first build at 16:30 on Wed 25 Nov: cool down then ends in staffed hours"
    )


def test_a_later_start_is_not_advised_for_a_few_times_of_a_hundred(
    only_mex, box, request_for, certain, plain_physics, monkeypatch
):
    asked = at(request_for(87), 15, 30)
    monkeypatch.setattr("calib.quoting.typical_schedule.CLEARLY", 1.01)  # sooner by all of 100 is not enough
    found = advice(asked, only_mex, box, Learned(certain), draws=20)
    assert not found["moved"]
    assert found["text"] == "Start the first build at once: cool down ends in staffed hours 0 of 100 times."


def test_what_ends_while_somebody_is_there_starts_at_once(only_mex, box, request_for, certain, plain_physics):
    found = advice(at(request_for(1), 9), only_mex, box, Learned(certain), draws=20)
    assert not found["moved"]
    assert found["at_once"]["chance_staffed"] == 1
    assert found["text"] == "Start the first build at once: cool down ends in staffed hours 100 of 100 times."


def test_no_advice_where_somebody_is_always_there_or_nothing_may_run_alone(only_mex, box, request_for, certain):
    watched = replace(only_mex, machines={"mex1": replace(only_mex.machines["mex1"], lights_out=False)})
    assert advice(request_for(1), replace(only_mex, hours=None), box, Learned(certain), draws=20) is None
    assert advice(request_for(1), watched, box, Learned(certain), draws=20) is None
    assert unattended(("file_prep", "inspection")) == []
    assert unattended(("warm_up", "printing", "cool_down", "unloading", "drying")) == ["printing", "cool_down"]


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(1, 100), st.integers(0, 23), st.sampled_from([None, "12:00"]))
def test_advice_is_never_less_sure_and_never_later(only_mex, box, request_for, plain_physics, quantity, hour, latest):
    shop = replace(only_mex, quoting={**only_mex.quoting, "no_unattended_start_after": latest})
    found = advice(at(request_for(quantity), hour), shop, box, Learned(Calibrator(prior_only=True), Waits()))
    assert found["advised"]["chance_staffed"] >= found["at_once"]["chance_staffed"] - 0.005 or (
        found["advised"]["in_hand_at"] < found["at_once"]["in_hand_at"]
    )
    assert found["advised"]["start_at"] >= found["at_once"]["start_at"]
    if latest and found["moved"]:
        assert found["advised"]["start_at"][11:16] <= latest
