"""The half days in which dates are promised: midday, and the end of a day, by the shop's opening hours."""

from __future__ import annotations

from datetime import date, timedelta
from zoneinfo import ZoneInfo

from calib.calendar.clock import OpenClock, from_minutes, wall_minutes
from calib.calendar.week import DAY_MIN

NOON_MIN = 12 * 60
SAME_MIN = 1e-6  # times that differ by less are one
MOST_DAYS = 3660  # further than any shop is closed


def half_day_end(wall: float, clock: OpenClock) -> float:
    """The earliest end of a half day at or after a wall time [min]: what is ready then can be promised for it.

    A day ends when the shop closes, at midnight in a shop that never does. Its midday is 12:00, where the shop is open
    both before and after; a closed day has neither.
    """
    first = from_minutes(wall, clock.zone).date() - timedelta(days=1)  # midnight ends the day before
    for offset in range(MOST_DAYS):
        for end in half_day_ends(first + timedelta(days=offset), clock):
            if end >= wall - SAME_MIN:
                return end
    return wall


def half_day_ends(day: date, clock: OpenClock) -> list[float]:
    """Wall times at which the halves of a day end, ascending [min]; none of a closed day."""
    spans = ((0, DAY_MIN),) if clock.hours is None else clock.hours[day.weekday()]
    if not spans or day in clock.closures:
        return []
    opens, closes = min(begin for begin, _ in spans), max(end for _, end in spans)
    halves = [NOON_MIN] if opens < NOON_MIN < closes else []
    return [wall_minutes(day, minute, ZoneInfo(clock.zone)) for minute in (*halves, closes)]


def half_day_name(wall: float, clock: OpenClock) -> str:
    """'midday', or 'end of the day'; '' of a time at which no half day ends."""
    for day in (from_minutes(wall, clock.zone).date() - timedelta(days=offset) for offset in (0, 1)):
        ends = half_day_ends(day, clock)
        if wall in ends:
            return "end of the day" if wall == ends[-1] else "midday"
    return ""


def closed_days(start: float, end: float, clock: OpenClock) -> list[str]:
    """Days 'YYYY-MM-DD' between two wall times [min] on which the shop is closed, at most MOST_DAYS looked at."""
    first, last = (from_minutes(wall, clock.zone).date() for wall in (start, end))
    days = (first + timedelta(days=offset) for offset in range(min((last - first).days + 1, MOST_DAYS)))
    return [day.isoformat() for day in days if not half_day_ends(day, clock)]
