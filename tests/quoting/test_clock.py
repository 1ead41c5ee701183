"""The open clock: laws that hold for any hours, and what happens at the edges."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.calendar.clock import OpenClock, to_minutes
from calib.errors import NoPlanError

WEEK = (((480, 720), (780, 1020)),) * 5 + ((), ())
START = to_minutes(datetime(2026, 3, 25, 10, 0, tzinfo=ZoneInfo("Europe/Berlin")))


@pytest.fixture(scope="module")
def clock() -> OpenClock:
    return OpenClock(WEEK, (), "Europe/Berlin")


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 60 * 24 * 40), st.floats(0.01, 4000), st.floats(0, 500))
def test_work_ends_after_that_many_open_minutes_and_never_sooner_when_longer(wait, minutes, more):
    clock = OpenClock(WEEK, (), "Europe/Berlin")
    start = clock.next_open(START + wait)
    end = clock.after(start, minutes)
    assert clock.open_at(end) - clock.open_at(start) == pytest.approx(minutes, abs=1e-6)
    assert clock.after(start, minutes + more) >= end - 1e-6
    assert clock.after(clock.next_open(START + wait + more), minutes) >= end - 1e-6


def test_a_million_wall_times_against_counting_minutes(clock):
    # the same by counting open minutes one by one over three weeks, through a clock change
    zone = ZoneInfo("Europe/Berlin")
    moments = [datetime.fromtimestamp((START + m) * 60, tz=zone) for m in range(21 * 1440)]
    is_open = [any(a <= m.hour * 60 + m.minute < b for a, b in WEEK[m.weekday()]) for m in moments]
    counted = np.concatenate([[0], np.cumsum(is_open)[:-1]])
    walls = START + np.arange(21 * 1440)
    assert np.allclose(clock.open_at(walls) - clock.open_at(START), counted)


def test_work_that_ends_at_closing_ends_there_and_not_at_the_next_opening(clock):
    morning = START - 120  # 08:00
    assert clock.after(morning, 240.0) == morning + 240
    assert clock.after(morning, 241.0) == morning + 301


def test_a_wait_of_nothing_is_no_wait_even_at_night(clock):
    night = START + 12 * 60
    assert clock.after(night, 0.0) == night


def test_within_finds_the_first_span_that_is_long_enough(clock):
    starts = clock.within(np.array([START, START, START]), np.array([100.0, 200.0, 300.0]))
    assert starts[0] == START
    assert starts[1] == START + 180  # 13:00, after the break
    assert np.isinf(starts[2])


def test_no_hours_means_always_open():
    clock = OpenClock(None, (), "UTC")
    assert clock.after(START, 90.0) == START + 90
    assert clock.next_open(START) == START


def test_hours_that_the_clocks_skip_are_none():
    # on 29 March 2026 the half hour from 2:30 is not there
    nights = OpenClock((((150, 180),),) * 7, (), "Europe/Berlin")
    saturday = to_minutes(datetime(2026, 3, 28, 2, 30, tzinfo=ZoneInfo("Europe/Berlin")))
    assert nights.after(saturday, 45.0) == saturday + 2 * 1440 + 15 - 60


@pytest.mark.parametrize("nights", [((60, 150), (180, 300)), ((120, 165), (180, 210), (480, 600))])
def test_no_minute_is_counted_twice_where_the_clocks_skip_the_end_of_a_span(nights):
    # 2:30 on that Sunday is 3:30, and 2:45 is 3:45: later than the next span begins, or than it ends
    clock = OpenClock((nights,) * 7, (), "Europe/Berlin")
    day = to_minutes(datetime(2026, 3, 29, tzinfo=ZoneInfo("Europe/Berlin")))
    passed = {local: local if local < 180 else local - 60 for span in nights for local in span}
    opened = {minute for begin, end in nights for minute in range(passed[begin], passed[end])}
    walls = day + np.arange(23 * 60)
    counted = [sum(day + minute < wall for minute in opened) for wall in walls]
    assert np.allclose(clock.open_at(walls) - clock.open_at(day), counted)


def test_a_shop_that_never_opens_is_one_sentence():
    with pytest.raises(NoPlanError, match="closed on every day of the week"):
        OpenClock(((),) * 7, (), "UTC")
    always_closed = [datetime(2026, 3, 1).date() + timedelta(days=d) for d in range(400)]
    with pytest.raises(NoPlanError, match="closes nearly every day"):
        OpenClock(WEEK, always_closed, "UTC").next_open(START)


def test_years_of_work_are_found_or_refused():
    clock = OpenClock((((480, 540),),) + ((),) * 6, (), "UTC")
    assert clock.after(START, 60.0 * 520) > START + 9 * 365 * 1440
    with pytest.raises(NoPlanError, match="not be finished within 40 years"):
        clock.after(START, 60.0 * 52 * 50)


def test_work_that_ends_beyond_what_was_looked_up_so_far_is_the_same_in_one_look():
    end, minutes = OpenClock(WEEK, (), "Europe/Berlin").work(START, 200_000.0)[1], np.array([200_000.0])
    ready = np.array([START])
    assert OpenClock(WEEK, (), "Europe/Berlin").work_from(ready, -np.inf, minutes)[1] == pytest.approx([float(end)])
