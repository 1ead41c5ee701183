"""The half day that is promised: its laws, the order that it gives the options, and what chance alone puts first."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.calendar.clock import OpenClock, from_minutes, to_minutes
from calib.quoting.half_days import SAME_MIN, half_day_end, half_day_name
from calib.quoting.promised import keep_the_date, promise_to_give, promised_min

ZONE = "Europe/Berlin"
DAY, SHORT, LATE, NIGHT = ((480, 1050),), ((480, 690),), ((780, 1320),), ((0, 360), (1320, 1440))
WEEKS = {
    "usual": (*[DAY] * 4, SHORT, (), ()),
    "late": (*[LATE] * 5, (), ()),
    "night": (*[NIGHT] * 5, ((0, 360),), ()),
    "lunch": (*[((480, 720), (780, 1020))] * 5, (), ()),
    "always": None,
}
CLOCKS = {name: OpenClock(week, [date(2026, 12, 25)], ZONE) for name, week in WEEKS.items()}
MINUTES = st.floats(
    to_minutes(datetime(2026, 3, 1, tzinfo=ZoneInfo(ZONE))), to_minutes(datetime(2027, 2, 1, tzinfo=ZoneInfo(ZONE)))
)


@pytest.mark.parametrize(
    ("week", "ready", "promised"),
    [
        ("usual", "2026-12-01T08:03", "2026-12-01T12:00"),
        ("usual", "2026-12-01T12:00", "2026-12-01T12:00"),
        ("usual", "2026-12-01T12:01", "2026-12-01T17:30"),
        ("usual", "2026-12-01T17:31", "2026-12-02T12:00"),
        ("usual", "2026-12-04T09:00", "2026-12-04T11:30"),  # a Friday that has no afternoon
        ("usual", "2026-12-04T11:31", "2026-12-07T12:00"),
        ("usual", "2026-12-24T17:45", "2026-12-28T12:00"),  # a closed Friday
        ("late", "2026-12-01T09:00", "2026-12-01T22:00"),
        ("night", "2026-12-02T03:00", "2026-12-02T12:00"),
        ("night", "2026-12-05T03:00", "2026-12-05T06:00"),
        ("lunch", "2026-12-01T12:30", "2026-12-01T17:00"),
        ("always", "2026-12-05T13:00", "2026-12-06T00:00"),
    ],
)
def test_a_half_day_ends_at_noon_or_when_the_lab_closes(week, ready, promised):
    wall = to_minutes(datetime.fromisoformat(ready).replace(tzinfo=ZoneInfo(ZONE)))
    end = half_day_end(wall, CLOCKS[week])
    assert from_minutes(end, ZONE).strftime("%Y-%m-%dT%H:%M") == promised
    assert half_day_name(end, CLOCKS[week]) == ("midday" if promised.endswith("12:00") else "end of the day")


@given(st.sampled_from(sorted(CLOCKS)), MINUTES, MINUTES)
def test_a_half_day_is_never_before_what_it_is_for_and_keeps_the_order(week, one, other):
    first, last = sorted((one, other))
    ends = [half_day_end(wall, CLOCKS[week]) for wall in (first, last)]
    assert first - SAME_MIN <= ends[0] <= ends[1]
    assert half_day_end(ends[0], CLOCKS[week]) == ends[0]


@given(st.lists(MINUTES, min_size=1, max_size=30), st.floats(0.5, 0.99), st.floats(0.5, 0.99))
def test_a_higher_chance_asked_for_is_never_an_earlier_day(ready, one, other):
    low, high = (promised_min(np.array(ready), sure, CLOCKS["usual"]) for sure in sorted((one, other)))
    assert low <= high
    assert np.mean(np.array(ready) <= low) >= min(one, other) - 1e-9


def options(*rows):
    """Options as documents from name, chance of the due date, cost."""
    return [
        {"process": "MEX", "machine": name, "on_time": chance, "promised_at": "2026-12-01T12:00+01:00",
         "half_day": "midday", "promise_chance": 0.95, "cost": {"p50": cost} if cost else None}
        for name, chance, cost in rows
    ]  # fmt: skip


def test_with_a_date_asked_for_all_that_keep_it_as_surely_as_is_asked_are_named_the_cheaper_first():
    asked = options(("a", 0.995, 193.0), ("b", 0.975, 102.0), ("c", 0.95, 84.0), ("d", 0.89, 50.0))
    by_a_day = SimpleNamespace(due="a day", sure=0.9)
    assert [one["machine"] for one in keep_the_date(asked, by_a_day)] == ["c", "b", "a"]
    assert keep_the_date(asked, SimpleNamespace(due=None, sure=0.9)) is None
    none_is_sure = options(("a", 0.5, None), ("b", 0.51, None), ("c", 0.4, 10.0))
    assert [one["machine"] for one in keep_the_date(none_is_sure, by_a_day)] == ["a", "b"]


def test_what_keeps_the_same_half_day_as_surely_is_a_tie_though_its_own_minute_lies_behind_noon():
    noon = to_minutes(datetime(2026, 12, 1, 12, tzinfo=ZoneInfo(ZONE)))
    early = noon - 600
    chances = {"first": 0.95, "by a hair": 0.89, "clearly later": 0.8}
    planned = [
        SimpleNamespace(ready=np.where(np.arange(100) < 100 * share, early, noon + 60)) for share in chances.values()
    ]
    request = SimpleNamespace(sure=0.9, start=datetime(2026, 12, 1) - timedelta(days=1))
    documents = options(*((name, None, cost) for name, cost in zip(chances, (90.0, 80.0, 10.0), strict=True)))
    given_promise = promise_to_give(planned, documents, request, CLOCKS["usual"])
    assert [one["machine"] for one in given_promise["ties"]] == ["by a hair"]
    assert given_promise["cheapest"]["machine"] == "clearly later"
