"""Times as a person says them: weekday, day, month, the year where it is another."""

from __future__ import annotations

from datetime import datetime, timedelta

from calib.calendar.week import WEEKDAYS
from calib.report.units import MONTHS


def clock_time(text: str, seen_from: str | None = None) -> str:
    """A time, with its year where that is not the year of ``seen_from``.

    >>> clock_time("2026-12-04T15:05+01:00"), clock_time("2027-01-04T15:05+01:00", "2026-12-04T15:05+01:00")
    ('Fri 4 Dec 15:05', 'Mon 4 Jan 2027 15:05')
    """
    when = datetime.fromisoformat(text)
    return f"{short_day(text, seen_from)} {when:%H:%M}"


def short_day(text: str, seen_from: str | None = None) -> str:
    """
    >>> short_day("2026-12-04"), short_day("2028-04-03", "2026-12-04")
    ('Fri 4 Dec', 'Mon 3 Apr 2028')
    """
    when = datetime.fromisoformat(text)
    other_year = seen_from is not None and datetime.fromisoformat(seen_from).year != when.year
    return f"{WEEKDAYS[when.weekday()]} {when.day} {MONTHS[when.month - 1]}" + (f" {when.year}" if other_year else "")


def whole_day(when: datetime) -> str:
    """
    >>> whole_day(datetime(2026, 12, 4))
    'Friday 4 December 2026'
    """
    return f"{when:%A} {when.day} {when:%B} {when.year}"


def half_day_time(text: str, seen_from: str | None = None) -> str:
    """A promised time: midday by its name, the end of a whole day too, else to the minute.

    >>> half_day_time("2026-12-04T12:00+01:00"), half_day_time("2026-12-04T17:30+01:00")
    ('Fri 4 Dec midday', 'Fri 4 Dec 17:30')
    >>> half_day_time("2026-12-04T23:59:59+01:00"), half_day_time("2026-12-05T00:00+01:00")
    ('end of Fri 4 Dec', 'end of Fri 4 Dec')
    """
    when = datetime.fromisoformat(text)
    if ends_a_day(when):
        return f"end of {short_day((when - timedelta(hours=1)).isoformat(), seen_from)}"
    return f"{short_day(text, seen_from)} midday" if is_noon(when) else clock_time(text, seen_from)


def promise(promised_at: str, half_day: str = "") -> str:
    """A promised time for who waits for it; half_day : 'end of the day' where it is when the lab closes.

    >>> promise("2026-12-04T12:00+01:00", "midday"), promise("2026-12-04T15:05+01:00")
    ('midday (12:00) of Friday 4 December 2026', '15:05 on Friday 4 December 2026')
    >>> promise("2026-12-04T17:30+01:00", "end of the day"), promise("2026-12-04T23:59:59+01:00")
    ('the end of Friday 4 December 2026 (17:30, when the lab closes)', 'the end of Friday 4 December 2026')
    """
    when = datetime.fromisoformat(promised_at)
    if ends_a_day(when):
        return f"the end of {whole_day(when - timedelta(hours=1))}"
    if half_day == "end of the day":
        return f"the end of {whole_day(when)} ({when:%H:%M}, when the lab closes)"
    return f"midday (12:00) of {whole_day(when)}" if is_noon(when) else f"{when:%H:%M} on {whole_day(when)}"


def same_time(one: str, other: str) -> bool:
    """Whether two stamps name one time, to the minute, in whatever zone.

    >>> same_time("2026-12-04T12:00+01:00", "2026-12-04T11:00:00+00:00")
    True
    """
    apart = datetime.fromisoformat(one) - datetime.fromisoformat(other)
    return abs(apart) < timedelta(minutes=1)


def ends_a_day(when: datetime) -> bool:
    return (when.hour, when.minute) in ((23, 59), (0, 0))


def is_noon(when: datetime) -> bool:
    return (when.hour, when.minute) == (12, 0)
