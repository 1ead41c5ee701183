"""A text -> the moment that it means, in logs and where a person types it: 08.43 is never 8 hours and .43 of a second."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time
from functools import cache
from zoneinfo import ZoneInfo

from calib.errors import UsageError

FIRST_YEAR, LAST_YEAR = 1990, 2100  # of a time that a log or a person may state

# A fraction behind hours or minutes is one of theirs by ISO 8601; the library takes it for one of a second.
FRACTION_OF_NO_SECOND = re.compile(r"^[\dWw-]+\D\d\d(?::?\d\d)?[.,]\d")
_TWO_DIGITS = {"%M": r"(?P<minute>\d\d)", "%S": r"\d\d"}
_LEADING = {"%H": r"\d{1,2}", "%I": r"\d{1,2}", "%d": r"\d{1,2}", "%m": r"\d{1,2}", "%Y": r"\d{4}", "%y": r"\d\d"}


def iso_moment(text: str) -> datetime | None:
    """
    >>> str(iso_moment("2026-01-05 08:43:00.5")), iso_moment("2026-01-05 08.43"), iso_moment("2026-01-05 08:43,5")
    ('2026-01-05 08:43:00.500000', None, None)
    """
    try:
        return None if FRACTION_OF_NO_SECOND.match(text) else datetime.fromisoformat(text)
    except ValueError:
        return None


def moment_in(text: str, form: str) -> datetime | None:
    """The moment that a format in the letters of strptime reads, where minutes and seconds have two digits.

    A spreadsheet cuts the last 0 of 8.40, and of 1:30 written 130 the library makes 13:00.

    >>> str(moment_in("5.1.2026 8.43", "%d.%m.%Y %H.%M")), moment_in("5.1.2026 8.4", "%d.%m.%Y %H.%M")
    ('2026-01-05 08:43:00', None)
    >>> str(moment_in("2026-01-05 843", "%Y-%m-%d %H%M")), moment_in("2026-01-05 130", "%Y-%m-%d %H%M")
    ('2026-01-05 08:43:00', None)
    """
    try:
        moment = datetime.strptime(text, form)
    except ValueError:
        return None
    if "%M" not in form:
        return moment
    written = _pattern(form).fullmatch(text)
    return moment if written and int(written["minute"]) == moment.minute else None


def check_year(day: date, text: str) -> None:
    """UsageError for a day whose year no log could have: sums of times overflow far out."""
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise UsageError(f'"{text}" is not between the years {FIRST_YEAR} and {LAST_YEAR}.', "Write 2026-12-04.")


def moment(text: str, zone: ZoneInfo, whole_day_ends: bool = False) -> datetime:
    """An ISO 8601 date or time; without an offset it is local time of the zone. Raises UsageError for any other text.

    A local time that exists twice is the first; one that does not exist moves forward by the gap (RFC 5545, 3.3.5).

    >>> moment("2007-03-11T02:30", ZoneInfo("America/New_York")).isoformat()
    '2007-03-11T03:30:00-04:00'
    >>> moment("2026-12-04", ZoneInfo("UTC"), whole_day_ends=True).isoformat()
    '2026-12-04T23:59:59+00:00'
    """
    read = iso_moment(text.strip())
    if not read:
        raise UsageError(f'"{text}" is not a date or time.', "Write 2026-12-04 or 2026-12-04T15:00.")
    check_year(read, text)
    if whole_day_ends and len(text.strip()) <= 10:
        read = datetime.combine(read.date(), time(23, 59, 59))
    local = read if read.tzinfo else read.replace(tzinfo=zone)
    return local.astimezone(UTC).astimezone(zone)


def end_of_day(text: str, timezone: str) -> datetime:
    """Last second of a day in the shop's zone, as UTC. Raises UsageError for a text that is no day of a log's years."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise UsageError(f'"{text}" is not a date.', "Write it as YYYY-MM-DD, e.g. 2026-11-20.") from None
    check_year(day, text)
    return datetime.combine(day, time(23, 59, 59), ZoneInfo(timezone)).astimezone(UTC)


@cache
def _pattern(form: str) -> re.Pattern[str]:
    pieces = re.split(r"(%.)", form)
    known = _TWO_DIGITS | _LEADING | {"%%": "%"}
    named = (known.get(piece, ".+?") if piece.startswith("%") else _literal(piece) for piece in pieces)
    return re.compile("".join(named), re.IGNORECASE | re.DOTALL)


def _literal(piece: str) -> str:
    """What stands between the letters; blanks are as many as one likes, as strptime has it."""
    return r"\s+".join(re.escape(word) for word in re.split(r"\s+", piece))
