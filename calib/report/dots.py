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
    """spans : in order of time, those alone in which a dot lies; what : 'that half day', 'that day' ...
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


def calendars_of(dots: Sequence[Sequence[datetime]], start: str) -> list[Calendar]:
    """The same of rows of dots."""
    first = datetime.fromisoformat(start).date()
    return [_calendar(dots, what, span, first) for what, span in SPANS.items()]


def _calendar(dots: Sequence[Sequence[datetime]], what: str, span: Callable[[datetime], Span], first: date) -> Calendar:
    counted = [Counter(map(span, own)) for own in dots]
    spans = tuple(sorted({span_ for own in counted for span_ in own}))
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


MOST_COLUMNS = 7  # of a page as wide as a phone
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


class Cell(TypedDict):
    number: int  # of dots
    closed: bool
    promised: bool  # the time promised ends there


class CalendarRow(TypedDict):
    name: str
    label: str
    cells: list[Cell]


class Column(TypedDict):
    name: str
    closed: bool


class PageCalendar(TypedDict):
    what: str
    columns: list[Column]
    rows: list[CalendarRow]
    promised: bool


def page_calendar(rows: Sequence[DotRow], start: str, closed_days: Sequence[str] = ()) -> PageCalendar:
    """The finest calendar of at most MOST_COLUMNS columns with dots, closed days between them as narrow columns.

    closed_days : 'YYYY-MM-DD'
    """
    finer_first = calendars_of([row.dots for row in rows], start)
    calendar = next((finer for finer in finer_first if len(finer.names) <= MOST_COLUMNS), finer_first[-1])
    days = {date.fromisoformat(text) for text in closed_days} if calendar.what in SHORT else set()
    columns: list[tuple[str, int | None]] = []
    for place, (name, span) in enumerate(zip(calendar.names, calendar.spans, strict=True)):
        shut = sorted(day for day in days if place and calendar.spans[place - 1][0] < day < span[0])
        if shut:
            columns.append((f"{_days_in_words(shut)} closed", None))
        columns.append((name, place))
    return {
        "what": calendar.what,
        "columns": [{"name": name, "closed": place is None} for name, place in columns],
        "rows": [
            {
                "name": row.name,
                "label": row.label,
                "cells": _cells(row, counts, calendar, [place for _, place in columns]),
            }
            for row, counts in zip(rows, calendar.counts, strict=True)
        ],
        "promised": any(row.promised_at for row in rows),
    }


def _cells(row: DotRow, counts: Sequence[int], calendar: Calendar, places: Sequence[int | None]) -> list[Cell]:
    span = SPANS[calendar.what](datetime.fromisoformat(row.promised_at)) if row.promised_at else None
    ends = calendar.spans.index(span) if span in calendar.spans else None
    return [
        {
            "number": 0 if place is None else counts[place],
            "closed": place is None,
            "promised": place is not None and place == ends,
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


LEFT, RIGHT, CELL, LETTER, DOT, GAP = 48.0, 40.0, 46.0, 9.0, 5.0, 3.0  # px: a half day at least, a dot's radius ...
ACROSS = 3  # dots beside each other in a half day
MOST_BESIDE = 16


def calendar_of(options: Sequence[QuoteOption], start: str) -> Calendar:
    """The finest calendar of at most MOST_BESIDE columns, else the coarsest."""
    finer_first = calendars(options, start)
    return next((candidate for candidate in finer_first if len(candidate.spans) <= MOST_BESIDE), finer_first[-1])


class Dot(TypedDict):
    x: float
    y: float


class PictureRow(TypedDict):
    name: str
    foot: float
    dots: list[Dot]


class ColumnName(TypedDict):
    x: float
    text: str


class DotPicture(TypedDict):
    width: float
    height: float
    rows: list[PictureRow]
    columns: list[ColumnName]
    radius: float


def dot_picture(calendar: Calendar, names: Sequence[str]) -> DotPicture:
    """Places of dots and of the columns' names [px]; names : of the rows."""
    cell = max(CELL, LETTER * max(map(len, calendar.names)) + 8)
    rows: list[PictureRow] = []
    top = 22.0
    for name, counts in zip(names, calendar.counts, strict=True):
        foot = top + -(-max(counts) // ACROSS) * (2 * DOT + GAP) + 12
        dots: list[Dot] = [
            {
                "x": LEFT + place * cell + 10 + nth % ACROSS * (2 * DOT + GAP),
                "y": foot - 8 - nth // ACROSS * (2 * DOT + GAP),
            }
            for place, count in enumerate(counts)
            for nth in range(count)
        ]
        rows.append({"name": name, "foot": foot, "dots": dots})
        top = foot + 6
    return {
        "width": LEFT + len(calendar.names) * cell + RIGHT,
        "height": top,
        "rows": rows,
        "columns": [{"x": LEFT + place * cell, "text": text} for place, text in enumerate(calendar.names)],
        "radius": DOT,
    }
