"""Times as a person says them: weekday, day, month, the year where it is another."""

from __future__ import annotations

from datetime import datetime, timedelta

from calib.report.units import MONTHS

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


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


NOON = 12


def promise(ready_at: str, start: str) -> str:
    """A date to promise: to the hour within a day, beyond that rounded up to half days.

    >>> promise("2026-12-04T09:20+01:00", "2026-12-01T08:00+01:00")
    'midday of Friday 4 December 2026'
    >>> promise("2026-12-04T15:05+01:00", "2026-12-04T08:00+01:00")
    '16:00 on Friday 4 December 2026'
    """
    ready = datetime.fromisoformat(ready_at)
    if ready - datetime.fromisoformat(start) <= timedelta(days=1):
        hour = (ready + timedelta(minutes=59)).replace(minute=0)
        return f"{hour:%H:%M} on {whole_day(hour)}"
    early = ready.hour < NOON or (ready.hour == NOON and ready.minute == 0)
    return f"{'midday' if early else 'the end'} of {whole_day(ready)}"
