"""Numbers and times as a person says them: ``2 h 40 min``, ``+12 %``, ``Fri 4 Dec midday``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from calib.calendar.week import WEEKDAYS

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
UNKNOWN = "not known"


def known(value: Any) -> bool:
    return value is not None and not (isinstance(value, float) and not math.isfinite(value))


def duration(minutes: float | None) -> str:
    """Minutes as a person says them; two units at most, a day being 24 hours.

    >>> [duration(m) for m in (0.5, 7.2, 48, 160, 1440, 3000, -35, None)]
    ['30 s', '7 min', '48 min', '2 h 40 min', '24 h', '50 h', '−35 min', 'not known']
    """
    if minutes is None or not known(minutes):
        return UNKNOWN
    if minutes < 0:
        return "−" + duration(-minutes)
    if 0 < minutes < 1:
        return f"{max(1, round(minutes * 60))} s"
    hours, rest = divmod(round(minutes), 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h" if hours >= 24 or not rest else f"{hours} h {rest} min"


def roughly(minutes: float | None) -> str:
    """Minutes with no more digits than an average or a forecast bears.

    >>> [roughly(m) for m in (0.6, 22, 71, 341, 2418, None)]
    ['under 5 min', '20 min', '1 h', '5 h 30 min', '40 h', 'not known']
    """
    if minutes is None or not known(minutes) or minutes < 0:
        return duration(minutes)
    if minutes < 2.5:
        return "under 5 min"
    step = 5 if minutes < 60 else 30 if minutes < 600 else 60
    return duration(round(minutes / step) * step)


def between(low: float | None, high: float | None) -> str:
    """A range of minutes with the digits that its width bears: about a fifth of it.

    >>> between(502, 734), between(28, 71), between(9, 17), between(5, 6), between(None, 3)
    ('8 h 30 min to 12 h', '30 min to 1 h 10 min', '9 min to 17 min', '5 min to 6 min', 'not known')
    """
    if low is None or high is None or not (known(low) and known(high)):
        return UNKNOWN
    return f"{duration(_to_step(low, high - low))} to {duration(_to_step(high, high - low))}"


def within(minutes: float | None, low: float | None, high: float | None) -> str:
    """Minutes with the digits that the width of their range bears.

    >>> within(575, 502, 734), within(7, 5, 13)
    ('9 h 30 min', '7 min')
    """
    return duration(minutes if minutes is None or low is None or high is None else _to_step(minutes, high - low))


def _to_step(minutes: float, width: float) -> float:
    """To the largest of the steps of a clock that goes five times into the width; no less than one of them."""
    step = max((step for step in (5, 10, 30, 60) if 5 * step <= width), default=None)
    return minutes if step is None else max(1, round(minutes / step)) * step


def change(minutes: float | None) -> str:
    """Minutes more or less, with a sign.

    >>> change(12), change(-95)
    ('+12 min', '−1 h 35 min')
    """
    if minutes is None or not known(minutes):
        return UNKNOWN
    return duration(minutes) if minutes < 0 else "+" + duration(minutes)


def signed_percent(value: float | None) -> str:
    """
    >>> signed_percent(12.4), signed_percent(-3.6), signed_percent(0.2), signed_percent(4405)
    ('+12 %', '−4 %', '0 %', '+4,405 %')
    """
    if value is None or not known(value):
        return UNKNOWN
    whole = round(value)
    return "0 %" if whole == 0 else f"{'+' if whole > 0 else '−'}{abs(whole):,} %"


def figure(value: float | None) -> str:
    """A size with the digits that it needs.

    >>> figure(1234.56), figure(63.52), figure(0.00042), figure(0), figure(None)
    ('1,235', '63.5', '0.00042', '0', 'not known')
    """
    if value is None or not known(value):
        return UNKNOWN
    if abs(value) < 10:
        return f"{value:.3g}"
    return f"{value:,.1f}" if abs(value) < 1000 else f"{value:,.0f}"


def share(value: float | None) -> str:
    """A fraction as a percentage.

    >>> share(0.804), share(None)
    ('80 %', 'not known')
    """
    return f"{100 * value:.0f} %" if value is not None and known(value) else UNKNOWN


def chance(value: float | None) -> str:
    """A chance as a percentage; from draws nothing is certain, nor impossible.

    >>> chance(0.804), chance(0.9991), chance(0.0), chance(None)
    ('80 %', 'over 99 %', 'under 1 %', 'not known')
    """
    if value is None or not known(value):
        return UNKNOWN
    if value > 0.99:
        return "over 99 %"
    return "under 1 %" if value < 0.01 else share(value)


def times(value: float | None) -> str:
    """A chance as so many of ten, or of a hundred where ten are too coarse.

    >>> times(0.9), times(0.974), times(0.9991), times(0.0)
    ('9 of 10', '97 of 100', 'over 99 of 100', 'under 1 of 100')
    """
    if value is None or not known(value):
        return UNKNOWN
    if value > 0.99:
        return "over 99 of 100"
    if value < 0.01:
        return "under 1 of 100"
    hundredths = round(100 * value)
    return f"{hundredths // 10} of 10" if hundredths % 10 == 0 else f"{hundredths} of 100"


def count(number: float | None, single: str, many: str = "") -> str:
    """A number with its noun.

    >>> count(1, "run"), count(1203, "run"), count(2, "lab's day", "lab's days")
    ('1 run', '1,203 runs', "2 lab's days")
    """
    if number is None or not known(number):
        return f"{UNKNOWN}: {many or single + 's'}"
    return f"{number:,.0f} {single if number == 1 else many or single + 's'}"


def day(value: Any, seen_from: str | None = None) -> str:
    """A date, without its year where that is the year of ``seen_from``.

    >>> day("2026-11-05"), day("2026-03-01T08:15:00+01:00"), day(None)
    ('5 Nov 2026', '1 Mar 2026', 'not known')
    >>> day("2026-11-05", "2026-12-04"), day("2025-11-05", "2026-12-04")
    ('5 Nov', '5 Nov 2025')
    """
    if value is None or value != value:
        return UNKNOWN
    when = datetime.fromisoformat(value).date() if isinstance(value, str) else value
    same_year = seen_from is not None and datetime.fromisoformat(seen_from).year == when.year
    return f"{when.day} {MONTHS[when.month - 1]}" + ("" if same_year else f" {when.year}")


def stage_name(stage: str) -> str:
    """
    >>> stage_name("breakout+part_cleaning")
    'breakout + part cleaning'
    """
    return stage.replace("+", " + ").replace("_", " ")


def joined(words: Sequence[str]) -> str:
    """
    >>> joined(["printing", "washing", "packing"])
    'printing, washing and packing'
    """
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else list(words))


def clock_time(text: str, seen_from: str | None = None) -> str:
    """A time, with its year where that is not the year of ``seen_from``.

    >>> clock_time("2026-12-04T15:05+01:00"), clock_time("2027-01-04T15:05+01:00", "2026-12-04T15:05+01:00")
    ('Fri 4 Dec 15:05', 'Mon 4 Jan 2027 15:05')
    """
    when = datetime.fromisoformat(text)
    return f"{short_day(text, seen_from)} {when:%H:%M}"


def usual_time(text: str, seen_from: str | None = None) -> str:
    """A time that is expected, to the half hour: no more is known of it.

    >>> usual_time("2026-12-04T15:07+01:00"), usual_time("2026-12-04T23:50+01:00")
    ('Fri 4 Dec 15:00', 'Sat 5 Dec 00:00')
    """
    when = datetime.fromisoformat(text)
    rounded = when - timedelta(minutes=(when.minute + 15) % 30 - 15, seconds=when.second)
    return clock_time(rounded.isoformat(), seen_from)


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


def same_time(first: str, other: str) -> bool:
    """Whether two stamps name one time, to the minute, in whatever zone.

    >>> same_time("2026-12-04T12:00+01:00", "2026-12-04T11:00:00+00:00")
    True
    """
    difference = datetime.fromisoformat(first) - datetime.fromisoformat(other)
    return abs(difference) < timedelta(minutes=1)


def ends_a_day(when: datetime) -> bool:
    return (when.hour, when.minute) in ((23, 59), (0, 0))


def is_noon(when: datetime) -> bool:
    return (when.hour, when.minute) == (12, 0)
