"""Opening hours as a piecewise-linear clock between wall time and open time.

Wall time is in minutes since 1970-01-01T00:00Z, open time in minutes that the shop has been open since the clock was
first asked. Both directions are one interpolation, for thousands of draws at once.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import UTC, date, datetime, timedelta
from math import ceil
from zoneinfo import ZoneInfo

import numpy as np

from calib.calendar.week import DAYS, Hours
from calib.errors import NoPlanError

_FIRST_DAYS = 120
_MOST_DAYS = 40 * 366


def to_minutes(moment: datetime) -> float:
    """Minutes since 1970-01-01T00:00Z of an aware datetime."""
    return moment.timestamp() / 60.0


def from_minutes(minutes: float, zone: str) -> datetime:
    """Aware datetime in the zone, to the second."""
    return datetime.fromtimestamp(round(minutes * 60.0), tz=ZoneInfo(zone))


class OpenClock:
    """When somebody is there.

    hours : per weekday (0 Monday .. 6 Sunday) spans as minutes of the local day; None: always open
    closures : closed days
    zone : IANA name; a local time that does not exist moves forward by the gap, one that exists twice is the first
        (RFC 5545, section 3.3.5)

    >>> week = ((((480, 1020)),),) * 5 + ((), ())
    >>> clock = OpenClock(week, (), "Europe/Berlin")
    >>> friday = to_minutes(datetime(2026, 3, 27, 16, 0, tzinfo=ZoneInfo("Europe/Berlin")))
    >>> from_minutes(float(clock.after(friday, 120.0)), "Europe/Berlin").isoformat()  # the clocks change on Sunday
    '2026-03-30T09:00:00+02:00'
    """

    def __init__(self, hours: Hours | None, closures: Iterable[date], zone: str) -> None:
        self.hours, self.closures, self.zone = hours, frozenset(closures), zone
        self._first: date | None = None
        self._zero: float | None = None  # wall time at which open time is zero, whatever is asked later
        self._low: float | None = None
        self._days = _FIRST_DAYS
        self.opens = self.closes = self.before = np.zeros(0)
        # by wall minute: opening of the span that it is in or that comes next, and wall time less open time in it;
        # by open minute: wall time less open time
        self._opening = self._shift = self._shift_at = np.zeros(0)
        if hours is not None and not any(hours):
            raise NoPlanError(
                "The shop file states opening hours, but the shop is closed on every day of the week.",
                "Give at least one weekday a span of hours in [hours].",
            )

    @property
    def always_open(self) -> bool:
        return self.hours is None

    def open_at(self, wall: np.ndarray | float) -> np.ndarray:
        """Open minutes that have passed at a wall time, any shape [min]."""
        wall = np.asarray(wall, float)
        if self.always_open:
            return wall
        minute = self._minute(wall)
        passed: np.ndarray = np.maximum(wall, self._opening[minute]) - self._shift[minute]
        return passed

    def next_open(self, wall: np.ndarray | float) -> np.ndarray:
        """The wall time itself where the shop is open, else the next opening [min]."""
        wall = np.asarray(wall, float)
        if self.always_open:
            return wall
        minute = self._minute(wall)
        opened: np.ndarray = np.maximum(wall, self._opening[minute])
        return opened

    def work(self, ready: np.ndarray | float, minutes: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
        """Start and end, as wall times, of work of so many open minutes that starts as soon as the shop is open.

        ready, minutes : any shapes that go together [min]; so are start and end
        """
        ready = np.asarray(ready, float)
        if self.always_open:
            return ready, ready + minutes
        minute = self._minute(ready)
        start = np.maximum(ready, self._opening[minute])
        target = start - self._shift[minute] + minutes
        passed = self._open_minute(target)
        return start, target + self._shift_at[passed]

    def work_from(
        self, ready: np.ndarray, free: np.ndarray | float, minutes: np.ndarray, wait: np.ndarray | float = 0.0
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """As ``work``, but not before the open time ``free``, nor until ``wait`` open minutes have passed.

        Also returns the open time from which it could be done. ready, minutes, and what comes back : shape (n,) [min]
        """
        if self.always_open:
            able = ready + wait
            start = np.maximum(able, free)
            return start, start + minutes, able
        minute = self._minute(ready)
        opened = np.maximum(ready, self._opening[minute])
        ready_open = opened - self._shift[minute] + wait
        begin = np.maximum(ready_open, free)
        end = begin + minutes
        passed = self._open_minute(end)  # may lengthen the table: asked before the table is read
        end_wall = end + self._shift_at[passed]
        before = np.ceil(begin - (self.before[0] + 1e-9)).astype(np.int64)  # inside: it is not after the end
        return np.maximum(begin + self._shift_at[before], opened), end_wall, ready_open

    def work_once(self, ready: float, minutes: float) -> tuple[float, float]:
        """``work`` of one draw, without the cost of arrays."""
        if self.always_open:
            return ready, ready + minutes
        if self._first is None or not self.opens[0] <= ready <= self.opens[-2]:
            self._reach(np.array([ready]))
        minute = int(ready - (self.opens[0] - 1e-9))
        start = max(ready, float(self._opening[minute]))
        target = start - float(self._shift[minute]) + minutes
        while target > self.before[-1]:
            self._grow()
        return start, target + float(self._shift_at[ceil(target - (self.before[0] + 1e-9))])

    def never_before(self, wall: float) -> None:
        """Promise that no earlier time will be asked about: it need not be looked for any more."""
        if not self.always_open:
            self._reach(np.array([wall]))
        self._low = wall

    def after(self, wall: np.ndarray | float, minutes: np.ndarray | float) -> np.ndarray:
        """Wall time at which that many open minutes have passed since ``wall``; none: the wall time itself [min]."""
        return np.where(np.asarray(minutes) > 0, self.work(wall, minutes)[1], wall)

    def within(self, wall: np.ndarray, minutes: np.ndarray) -> np.ndarray:
        """Earliest start at or after ``wall`` from which ``minutes`` fit before closing; else infinity, any shape [min]."""
        wall, minutes = np.broadcast_arrays(np.asarray(wall, float), np.asarray(minutes, float))
        if self.always_open:
            return wall.copy()
        start = self.next_open(wall)
        index = np.searchsorted(self.closes, start, side="right")
        longest = self.longest_span()
        open_ = np.isfinite(start) & (minutes <= longest)
        while np.any(late := open_ & (start + minutes > self.closes[index] + 1e-9)):
            index = np.where(late, index + 1, index)
            self._reach_spans(int(index.max()))
            start = np.where(late, self.opens[index], start)
        return np.where(minutes <= longest, start, np.inf)

    def longest_span(self) -> float:
        """Longest time between an opening and the next closing [min]; infinite when always open."""
        if self.hours is None:
            return np.inf
        return float(max(end - begin for spans in self.hours for begin, end in spans))

    def spans(self, first: float, last: float) -> list[tuple[float, float]]:
        """Opening spans that touch [first, last], as wall minutes."""
        if self.always_open:
            return [(first, last)]
        self._reach(np.array([first, last]))
        touched = (self.closes > first) & (self.opens < last)
        return [(float(a), float(b)) for a, b in zip(self.opens[touched], self.closes[touched], strict=True)]

    def _reach(self, wall: np.ndarray) -> None:
        low, high = float(np.min(wall)), float(np.max(wall))
        if not (np.isfinite(low) and np.isfinite(high)):
            raise NoPlanError("A time in the plan is not a number.", "Check the shop's hours and rates.")
        earliest = datetime.fromtimestamp(low * 60.0, tz=UTC).date() - timedelta(days=9)
        if self._first is None or earliest < self._first:
            self._first = earliest
            self._build()
        while self.opens[-2] < high:
            self._grow()

    def _minute(self, wall: np.ndarray) -> np.ndarray:
        """Whole minutes since the first opening, the places of the look-up tables: hours change on whole minutes."""
        if wall.size == 0:
            return np.zeros(wall.shape, np.int64)
        if self._low is None and (self._first is None or not wall.min() >= self.opens[0]):
            self._reach(wall)
        if not wall.max() <= self.opens[-2]:
            self._reach(wall)
        minute: np.ndarray = (wall - (self.opens[0] - 1e-9)).astype(np.int64)
        return minute

    def _open_minute(self, target: np.ndarray) -> np.ndarray:
        """Places of open times in their look-up table, rounded up."""
        if target.size == 0:
            return np.zeros(target.shape, np.int64)
        while target.max() > self.before[-1]:
            self._grow()
        minute: np.ndarray = np.ceil(target - (self.before[0] + 1e-9)).astype(np.int64)
        return minute

    def _reach_spans(self, index: int) -> None:
        while index >= len(self.opens) - 1:
            self._grow()

    def _grow(self) -> None:
        if self._days >= _MOST_DAYS:
            raise NoPlanError(
                f"The work would not be finished within {_MOST_DAYS // 366} years of opening hours.",
                "Ask for fewer parts, or check the closed days and rates in the shop file.",
            )
        self._days = min(2 * self._days, _MOST_DAYS)
        self._build()

    def _build(self) -> None:
        assert self._first is not None
        assert self.hours is not None
        spans = opening_minutes(self._first, self._days, self.hours, self.closures, self.zone)
        if len(spans) < 3:
            raise NoPlanError(
                f"The shop file closes nearly every day from {self._first.isoformat()} on.",
                "Check the closed days in [hours].",
            )
        self.opens, self.closes = spans.T
        self.before = np.concatenate([[0.0], np.cumsum(self.closes - self.opens)[:-1]])
        self._zero = float(self.opens[0]) if self._zero is None else self._zero
        zero = int(np.searchsorted(self.opens, self._zero, side="right")) - 1
        self.before -= self.before[zero] + min(self._zero, self.closes[zero]) - self.opens[zero]
        shift = self.opens - self.before
        ends = np.ceil(np.concatenate([self.closes[:-1], [self.opens[-1] + 1]]) - self.opens[0])
        minutes = np.diff(ends, prepend=0.0).astype(np.int64)  # from the last closing to the next, whole ones
        self._opening, self._shift = np.repeat(self.opens, minutes), np.repeat(shift, minutes)
        passed = np.diff(self.before, append=self.before[-1] + 1).round().astype(np.int64)
        passed[0] += 1  # an open time is of the span that it ends in; the first has its opening too
        self._shift_at = np.repeat(shift, passed)


def weekly_moments(moments: Iterable[str], zone: str, start: float, days: int = 800) -> np.ndarray:
    """Wall times of moments such as 'Tue 16:00' from ``start`` on, ascending [min].

    >>> first = to_minutes(datetime(2026, 11, 25, 11, 0, tzinfo=UTC))
    >>> [from_minutes(m, "UTC").strftime("%d %b") for m in weekly_moments(["Tue 16:00"], "UTC", first, 14)]
    ['01 Dec', '08 Dec']
    """
    walls, local = [], ZoneInfo(zone)
    first = from_minutes(start, zone).date()
    for moment in moments:
        name, time = moment.split()
        hour, minute = (int(part) for part in time.split(":"))
        for offset in range(days):
            day = first + timedelta(days=offset)
            if day.weekday() == DAYS.index(name[:3].lower()):
                walls.append(wall_minutes(day, 60 * hour + minute, local))
    return np.sort([wall for wall in walls if wall >= start])


def wall_minutes(day: date, minute: int, zone: ZoneInfo) -> float:
    local = datetime(day.year, day.month, day.day, tzinfo=zone)
    if minute < 1440:
        local = local.replace(hour=minute // 60, minute=minute % 60)
    else:
        after = day + timedelta(days=minute // 1440)
        local = datetime(after.year, after.month, after.day, (minute % 1440) // 60, minute % 60, tzinfo=zone)
    return local.timestamp() / 60.0


def opening_minutes(first: date, days: int, hours: Hours, closures: Collection[date], zone: str) -> np.ndarray:
    """Opening spans of so many days, as wall times, ascending, shape (n, 2) [min]."""
    local, each_day = ZoneInfo(zone), (first + timedelta(days=offset) for offset in range(days))
    spans = [
        (wall_minutes(day, begin, local), wall_minutes(day, end, local))
        for day in each_day
        if day not in closures
        for begin, end in hours[day.weekday()]
    ]
    if not spans:
        return np.zeros((0, 2))
    opens, closes = np.array(sorted(spans)).T
    # a span that ends in the hour that the clocks skip ends later, maybe in the next one; one within it is none
    opens[1:] = np.maximum(opens[1:], np.maximum.accumulate(closes)[:-1])
    both: np.ndarray = np.stack([opens, closes], axis=1)[opens < closes]
    return both


def opening_times(
    first: datetime, last: datetime, zone: str, hours: Hours, closures: Collection[date]
) -> list[tuple[datetime, datetime]]:
    """Opening spans as UTC without zone from two days before ``first`` to two days after ``last``, oldest first."""
    day = first.date() - timedelta(days=2)
    spans = opening_minutes(day, (last.date() - day).days + 3, hours, closures, zone)
    return [(_utc(begin), _utc(end)) for begin, end in spans.tolist()]


def _utc(wall: float) -> datetime:
    return from_minutes(wall, "UTC").replace(tzinfo=None)
