"""A date that chance moves, as 20 dots on half days: how many of 20 such jobs are ready in each; and their picture.

Kay et al. 2016, "When (ish) is My Bus?", CHI, https://doi.org/10.1145/2858036.2858558; Fernandes et al. 2018,
https://doi.org/10.1145/3173574.3173718: people decide better by counted dots than by intervals or densities.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TypedDict

from calib.calendar.week import WEEKDAYS
from calib.documents.quote import QuoteOption
from calib.report.units import MONTHS, half_day_time

DOTS = 20
A_WEEK = 7  # days in which a weekday says which day it is
NOON = 12
WEEK, MONTH = "the week from that day", "that month"
Span = tuple[date, str]  # its first day, and 'am' or 'pm' where it is a half day


@dataclass(frozen=True)
class Calendar:
    """spans : in order of time, those alone in which a dot or a mark lies; what : 'that half day', 'that day' ...
    names : of each span; counts : for each option the dots in each span"""

    spans: tuple[Span, ...]
    what: str
    names: tuple[str, ...]
    counts: tuple[tuple[int, ...], ...]


def ready_dots(option: QuoteOption, start: str) -> list[datetime]:
    """When each of DOTS such jobs is ready, the soonest first; of a quote given before they were kept, from its quantiles."""
    kept = option.get("ready_dots")
    if kept:
        return [datetime.fromisoformat(dot) for dot in kept]
    levels, hours = zip(*option["lead_quantiles_h"], strict=True)
    first = datetime.fromisoformat(start)
    asked = [(number + 0.5) / DOTS for number in range(DOTS)]
    return [first + timedelta(hours=_between(level, levels, hours)) for level in asked]


def _between(level: float, levels: Sequence[float], hours: Sequence[float]) -> float:
    if level <= levels[0]:
        return hours[0]
    for low, high, below, above in zip(levels, levels[1:], hours, hours[1:], strict=False):
        if level <= high:
            return below + (above - below) * (level - low) / (high - low)
    return hours[-1]


def calendars(options: Sequence[QuoteOption], start: str) -> list[Calendar]:
    """The dots of options by half days, days, weeks and months: a caller takes the finest that it has room for."""
    return calendars_of([ready_dots(option, start) for option in options], start)


def calendars_of(dots: Sequence[Sequence[datetime]], start: str, marks: Sequence[datetime] = ()) -> list[Calendar]:
    """The same of rows of dots; marks : times that have a span of their own, with or without a dot."""
    first = datetime.fromisoformat(start).date()
    return [_calendar(dots, marks, what, span, first) for what, span in SPANS.items()]


def _calendar(
    dots: Sequence[Sequence[datetime]],
    marks: Sequence[datetime],
    what: str,
    span: Callable[[datetime], Span],
    first: date,
) -> Calendar:
    counted = [Counter(map(span, own)) for own in dots]
    spans = tuple(sorted({span_ for own in counted for span_ in own} | set(map(span, marks))))
    counts = tuple(tuple(own[span_] for span_ in spans) for own in counted)
    far = any((day - first).days >= A_WEEK or day < first for day, _ in spans)
    return Calendar(spans, what, _names(spans, what, far), counts)


def _half_day(when: datetime) -> Span:
    """Midday itself ends the morning."""
    return when.date(), "am" if when.replace(tzinfo=None) <= datetime(when.year, when.month, when.day, NOON) else "pm"


SPANS: dict[str, Callable[[datetime], Span]] = {
    "that half day": _half_day,
    "that day": lambda when: (when.date(), ""),
    WEEK: lambda when: (when.date() - timedelta(days=when.weekday()), ""),
    MONTH: lambda when: (when.date().replace(day=1), ""),
}


def _names(spans: Sequence[Span], what: str, far: bool) -> tuple[str, ...]:
    """A day is named where it begins: 'Tue am', 'pm', 'Wed am'; by its date where weekdays come again."""
    names, last = [], None
    for day, half in spans:
        named = f"{WEEKDAYS[day.weekday()]} {_date(day)}" if far else WEEKDAYS[day.weekday()]
        if what == WEEK:
            named = _date(day)
        elif what == MONTH:
            named = f"{MONTHS[day.month - 1]} {day.year}"
        names.append(half if day == last else f"{named} {half}".strip())
        last = day
    return tuple(names)


def _date(day: date) -> str:
    return f"{day.day} {MONTHS[day.month - 1]}"


MOST_COLUMNS = 7  # with dots, of a page as wide as a phone
MOST_MARKS = 2  # columns beside them, of a promised time or the one asked for
SHORT = ("that half day", "that day")  # calendars in which closed days are shown


@dataclass(frozen=True)
class DotRow:
    """One row of a page's calendar: its name, when each of 20 such jobs is ready, the time promised, and words behind it."""

    name: str
    dots: Sequence[datetime]
    promised_at: str | None = None
    label: str = ""


def rows_of(options: Sequence[QuoteOption], start: str) -> list[DotRow]:
    """A row for each option, labelled by its promise."""
    rows = []
    for option in options:
        at = option.get("promised_at") or option["sure_at"]
        name = f"{option['process']} {option['machine']}"
        rows.append(DotRow(name, ready_dots(option, start), at, half_day_time(at, start)))
    return rows


def nine_of_ten_by(dots: Sequence[datetime], start: str) -> str:
    """The end of the half day by which 18 of 20 dots are there.

    >>> nine_of_ten_by([datetime(2026, 11, 24, 10)] * 18 + [datetime(2026, 11, 25, 15)] * 2, "2026-11-23T08:00")
    'Tue 24 Nov midday'
    """
    day, half = _half_day(dots[-(-9 * len(dots) // 10) - 1])
    end = datetime(day.year, day.month, day.day, NOON) + timedelta(hours=0 if half == "am" else NOON)
    return half_day_time(end.isoformat(), start)


class Cell(TypedDict):
    number: int  # of dots
    closed: bool
    promised: bool  # the time promised ends there
    asked: bool  # the time asked for ends there


class CalendarRow(TypedDict):
    name: str
    label: str
    cells: list[Cell]


class Column(TypedDict):
    name: str
    closed: bool
    asked: bool


class PageCalendar(TypedDict):
    what: str
    columns: list[Column]
    rows: list[CalendarRow]
    promised: bool
    asked: bool


def page_calendar(
    rows: Sequence[DotRow], start: str, closed_days: Sequence[str] = (), due: str | None = None
) -> PageCalendar:
    """The finest calendar of at most MOST_COLUMNS columns with dots, closed days between them as narrow columns.

    closed_days : 'YYYY-MM-DD'; due : the time asked for; it and the promised times have columns, even without a dot
    """
    marks = [_just_before(text) for text in (due, *(row.promised_at for row in rows)) if text]
    finer_first = calendars_of([row.dots for row in rows], start, marks)
    calendar = next((finer for finer in finer_first if _has_room(finer)), finer_first[-1])
    days = {date.fromisoformat(text) for text in closed_days} if calendar.what in SHORT else set()
    columns: list[tuple[str, int | None]] = []
    for place, (name, span) in enumerate(zip(calendar.names, calendar.spans, strict=True)):
        shut = sorted(day for day in days if place and calendar.spans[place - 1][0] < day < span[0])
        if shut:
            columns.append((f"{_days_in_words(shut)} closed", None))
        columns.append((name, place))
    asked, places = _place(due, calendar), [place for _, place in columns]
    return {
        "what": calendar.what,
        "columns": [{"name": name, "closed": place is None, "asked": _is(place, asked)} for name, place in columns],
        "rows": [
            {"name": row.name, "label": row.label, "cells": _cells(row, counts, calendar, places, asked)}
            for row, counts in zip(rows, calendar.counts, strict=True)
        ],
        "promised": any(row.promised_at for row in rows),
        "asked": asked is not None,
    }


def _just_before(text: str) -> datetime:
    """A time that ends a day or a half day lies in it."""
    return datetime.fromisoformat(text) - timedelta(seconds=1)


def _has_room(calendar: Calendar) -> bool:
    dotted = sum(any(column) for column in zip(*calendar.counts, strict=True))
    return dotted <= MOST_COLUMNS and len(calendar.spans) <= MOST_COLUMNS + MOST_MARKS


def _place(when: str | None, calendar: Calendar) -> int | None:
    """Number of the span that ends with that time."""
    return calendar.spans.index(SPANS[calendar.what](_just_before(when))) if when else None


def _is(place: int | None, marked: int | None) -> bool:
    return place is not None and place == marked


def _cells(
    row: DotRow, counts: Sequence[int], calendar: Calendar, places: Sequence[int | None], asked: int | None
) -> list[Cell]:
    promised = _place(row.promised_at, calendar)
    return [
        {
            "number": 0 if place is None else counts[place],
            "closed": place is None,
            "promised": _is(place, promised),
            "asked": _is(place, asked),
        }
        for place in places
    ]


def _days_in_words(days: Sequence[date]) -> str:
    """
    >>> _days_in_words([date(2026, 11, 28), date(2026, 11, 29)]), _days_in_words([date(2026, 12, 24 + n) for n in range(4)])
    ('Sat, Sun', 'Thu to Sun')
    """
    names = [WEEKDAYS[day.weekday()] for day in days]
    return ", ".join(names) if len(names) < 3 else f"{names[0]} to {names[-1]}"
