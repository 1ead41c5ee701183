"""Local time to UTC as a step function: RFC 5545's rule for hours that exist twice or not at all."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo


@dataclass(frozen=True)
class Step:
    """From local time ``local_from`` on, UTC is local less ``offset_s``.

    odd_from, odd_to : the local times around this change that exist twice, or not at all
    kind : 'twice', 'missing' or '' for the first step
    """

    local_from: datetime
    offset_s: int
    odd_from: datetime
    odd_to: datetime
    kind: str


@cache
def steps(zone: str, first_year: int, last_year: int) -> tuple[Step, ...]:
    """All steps of a zone between two years, oldest first.

    A local time that exists twice means the first; one that does not exist moves forward by the gap
    (RFC 5545, section 3.3.5): both take the offset from before the change, so each change of offset at UTC time u, from
    a to b, takes effect at local time u + max(a, b).

    >>> spring, autumn = steps("Europe/Berlin", 2026, 2026)[1:]
    >>> str(spring.local_from), spring.offset_s, spring.kind
    ('2026-03-29 03:00:00', 7200, 'missing')
    >>> str(autumn.local_from), autumn.offset_s, autumn.kind
    ('2026-10-25 03:00:00', 3600, 'twice')
    """
    info = ZoneInfo(zone)
    day = datetime(first_year, 1, 1) - timedelta(days=2)
    end = datetime(last_year, 12, 31) + timedelta(days=2)
    offset = _offset_s(info, day)
    changes = [Step(datetime(1, 1, 1), offset, datetime(1, 1, 1), datetime(1, 1, 1), "")]
    while day < end:
        later = day + timedelta(days=1)
        new = _offset_s(info, later)
        if new != offset:
            changes.append(_step(_change(info, day, later), offset, new))
            offset = new
        day = later
    return tuple(changes)


def to_utc(local: datetime, zone: str) -> datetime:
    """One local time as UTC, without zone in and out.

    >>> str(to_utc(datetime(2026, 3, 29, 2, 30), "Europe/Berlin")), str(to_utc(datetime(2026, 10, 25, 2, 30),
    ... "Europe/Berlin"))
    ('2026-03-29 01:30:00', '2026-10-25 00:30:00')
    """
    offset = [step.offset_s for step in steps(zone, local.year, local.year) if step.local_from <= local][-1]
    return local - timedelta(seconds=offset)


def _step(utc: datetime, before_s: int, after_s: int) -> Step:
    earlier, later = sorted((utc + timedelta(seconds=before_s), utc + timedelta(seconds=after_s)))
    return Step(later, after_s, earlier, later, "missing" if after_s > before_s else "twice")


def _change(info: ZoneInfo, low: datetime, high: datetime) -> datetime:
    """First UTC second with the new offset, by halving."""
    old = _offset_s(info, low)
    while high - low > timedelta(seconds=1):
        middle = low + timedelta(seconds=int((high - low).total_seconds()) // 2)
        low, high = (middle, high) if _offset_s(info, middle) == old else (low, middle)
    return high


def _offset_s(info: ZoneInfo, utc: datetime) -> int:
    offset = utc.replace(tzinfo=UTC).astimezone(info).utcoffset()
    return int(offset.total_seconds()) if offset else 0
