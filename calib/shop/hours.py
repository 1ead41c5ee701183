"""Opening hours of a week, closed days and public holidays, as a shop file writes them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date
from itertools import pairwise
from typing import Any

from calib.calendar.week import DAYS, Hours, Spans
from calib.shop.check import Problems
from calib.toml_lines import Path

_SPAN = re.compile(r"^(\d{1,2}):(\d{2})\s*-\s*(\d{1,2}):(\d{2})$")
_MOMENT = re.compile(r"^(Mon|Tue|Wed|Thu|Fri|Sat|Sun) ([01]\d|2[0-3]):([0-5]\d)$")
FIRST_YEAR, LAST_YEAR = 2000, 2050


def read_hours(table: Mapping[str, Any], problems: Problems) -> tuple[Hours | None, tuple[date, ...]]:
    """Spans in minutes of the day for Monday to Sunday (None where the shop states none), and closed days with holidays."""
    problems.known_keys(table, (*DAYS, "closures", "holidays"), ("hours",))
    week = _week(table, ("hours",), problems)
    closures = table.get("closures", [])
    if not isinstance(closures, list):
        problems.add(("hours", "closures"), "expected a list of days, [2026-12-25, 2027-01-01].")
        closures = []
    days = {problems.day(day, ("hours", "closures")) for day in closures}
    if place := problems.text(table, "holidays", ("hours",), ""):
        days |= public_holidays(place, ("hours", "holidays"), problems)
    return week, tuple(sorted({day for day in days if day}))


def read_shift(table: Mapping[str, Any], path: Path, problems: Problems) -> Hours | None:
    """When a crew is there, as the hours of the shop; None where it states none."""
    problems.known_keys(table, DAYS, path)
    return _week(table, path, problems)


def _week(table: Mapping[str, Any], path: Path, problems: Problems) -> Hours | None:
    if not any(day in table for day in DAYS):
        return None
    week = tuple(_day(table.get(day, []), (*path, day), problems) for day in DAYS)
    if not any(week):
        problems.add(path, 'no day has hours. Write mon = "08:00-17:00", or leave the table out.')
    return week


def attended_hours(shop_hours: Hours | None, shifts: Sequence[Hours | None]) -> Hours | None:
    """When somebody is there: all shifts together, a crew without one in the shop's hours; None: always.

    >>> day, late = ((((480, 1020),),) * 5 + ((), ()), (((960, 1200),),) * 2 + ((),) * 5)
    >>> attended_hours(day, [None, late])[:3]
    (((480, 1200),), ((480, 1200),), ((480, 1020),))
    """
    weeks = [shop_hours if shift is None else shift for shift in shifts or (None,)]
    if any(week is None for week in weeks):
        return None
    return tuple(_union([span for week in weeks if week for span in week[day]]) for day in range(7))


def _union(spans: Sequence[tuple[int, int]]) -> Spans:
    joined: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(joined[-1][1], end)
        else:
            joined.append((start, end))
    return tuple(joined)


def _day(value: Any, path: Path, problems: Problems) -> Spans:
    spans = sorted(span for text in problems.texts(value, path) if text and (span := _span(text, path, problems)))
    for (_, end), (start, _) in pairwise(spans):
        if start < end:
            problems.add(path, "two spans overlap. Join them, or end one before the other starts.")
    return tuple(spans)


def _span(text: str, path: Path, problems: Problems) -> tuple[int, int] | None:
    match = _SPAN.match(text.strip())
    if match:
        start, end = int(match[1]) * 60 + int(match[2]), int(match[3]) * 60 + int(match[4])
        if start < end <= 1440 and int(match[2]) < 60 and int(match[4]) < 60:
            return start, end
    problems.add(
        path,
        f'"{text}" is not a span of a day. Expected "08:00-17:00" (24:00 ends a day; a night shift is two spans).',
    )
    return None


def read_moments(value: Any, path: Path, problems: Problems) -> tuple[str, ...]:
    """Weekday and time, such as 'Tue 16:00'."""
    moments = problems.texts(value, path)
    for moment in moments:
        if not _MOMENT.match(moment):
            problems.add(path, f'"{moment}" is not a weekday and time. Expected "Tue 16:00".')
    return moments


def public_holidays(place: str, path: Path, problems: Problems) -> set[date]:
    """Days off in all years that a log or a quote can be of, from an optional library that people keep current.

    A problem where the place is not known, or the library is not installed.

    place : ISO 3166 code of a country ('DE'), or of a part of one ('DE-BY')

    >>> from calib.shop.check import Problems
    >>> date(2026, 1, 6) in public_holidays("DE-BY", ("hours",), Problems({}, ""))
    True
    """
    try:
        import holidays
    except ImportError:
        problems.add(
            path,
            f'"{place}" needs the library of public holidays, which is not installed. '
            "Run: pip install 'calib[holidays]', or write the days into closures.",
        )
        return set()
    country, _, part = place.strip().upper().partition("-")
    try:
        years = range(FIRST_YEAR, LAST_YEAR + 1)
        return set(holidays.country_holidays(country, subdiv=part or None, years=years))
    except (NotImplementedError, AttributeError, ValueError):
        parts = holidays.list_supported_countries().get(country)
        known = (
            f"Parts known of {country}: {', '.join(parts)}."
            if parts
            else 'Expected a country or a part of one by ISO 3166, such as "DE" or "DE-BY".'
        )
        problems.add(path, f'"{place}" is no place whose holidays are known. {known}')
        return set()
