"""Opening hours against RFC 5545, the tz database and numpy's business days."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from calib.calendar.clock import OpenClock, from_minutes, to_minutes

ALL_DAY = (((0, 1440),),) * 7


def wall(zone: str, *moment: int) -> float:
    return to_minutes(datetime(*moment, tzinfo=ZoneInfo(zone)))


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("America/New_York", (2007, 3, 10), 23),
        ("America/New_York", (2007, 11, 3), 25),
        ("Europe/Berlin", (2024, 3, 30), 23),
        ("Europe/Berlin", (2024, 10, 26), 25),
        ("Australia/Lord_Howe", (2024, 4, 6), 24.5),
    ],
)
def test_noon_to_noon_over_a_clock_change(zone, day, hours):
    # tz database 2026: lengths of the day from noon to noon in the nights of clock changes
    clock = OpenClock(ALL_DAY, (), zone)
    first, second = wall(zone, *day, 12), wall(zone, *day[:2], day[2] + 1, 12)
    assert (clock.open_at(second) - clock.open_at(first)) / 60 == pytest.approx(hours)


def test_an_opening_that_does_not_exist_moves_forward_by_the_gap():
    # RFC 5545, section 3.3.5: 2007-03-11 02:30 New York is 03:30 EDT, 07:30 UTC
    clock = OpenClock((((150, 600),),) * 7, (), "America/New_York")
    opened = clock.next_open(wall("America/New_York", 2007, 3, 11, 1, 0))
    assert from_minutes(float(opened), "UTC").isoformat() == "2007-03-11T07:30:00+00:00"


def test_an_opening_that_exists_twice_is_the_first():
    # RFC 5545, section 3.3.5: 2007-11-04 01:30 New York is the first, 05:30 UTC
    clock = OpenClock((((90, 600),),) * 7, (), "America/New_York")
    opened = clock.next_open(wall("America/New_York", 2007, 11, 4, 0, 30))
    assert from_minutes(float(opened), "UTC").isoformat() == "2007-11-04T05:30:00+00:00"


def test_working_days_over_the_holidays_as_numpy_counts_them():
    # numpy.busday_count('2024-12-20', '2025-01-07', holidays=...) = 9, with both the 20th and 6 January
    closed = [date(2024, 12, 25), date(2024, 12, 26), date(2025, 1, 1)]
    clock = OpenClock((((480, 960),),) * 5 + ((), ()), closed, "Europe/Berlin")
    span = clock.open_at(wall("Europe/Berlin", 2025, 1, 7)) - clock.open_at(wall("Europe/Berlin", 2024, 12, 20))
    assert span / 480 == np.busday_count("2024-12-20", "2025-01-07", holidays=closed) == 9


def test_every_hour_and_a_half_for_four():
    # RFC 5545, section 3.8.5.3, page 131: 09:00, 10:30, 12:00, 13:30 on 1997-09-02
    clock = OpenClock((((540, 1020),),) * 7, (), "America/New_York")
    start = wall("America/New_York", 1997, 9, 2, 9)
    slots = clock.after(start, 90.0 * np.arange(4))
    assert [from_minutes(float(s), "America/New_York").strftime("%H:%M") for s in slots] == [
        "09:00", "10:30", "12:00", "13:30",
    ]  # fmt: skip
