"""A text -> the moment that it means, in logs and where a person types it: 08.43 is never 8 hours and .43 of a second."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from zoneinfo import ZoneInfo

from calib.errors import UsageError

FIRST_YEAR, LAST_YEAR = 1990, 2100  # of a time that a log or a person may state

# A fraction behind hours or minutes is one of theirs by ISO 8601; the library takes it for one of a second.
FRACTION_OF_NO_SECOND = re.compile(r"^[\dWw-]+\D\d\d(?::?\d\d)?[.,]\d")
END_OF_DAY = re.compile(r"(.+[ T])24([:.]00(?:[:.]00)?)")  # 24:00 is the next day's 0:00 (ISO 8601)
HALF_OF_DAY = re.compile(r"(?<=[\d ])([ap])\.m\.?", re.IGNORECASE)  # a.m., which strptime writes am
DAY_NUMBER = (
    "day number"  # a format: days as spreadsheets count them, 1 is the first of 1900; a fraction is the time of day
)
_FIRST_DAY = datetime(1899, 12, 30)  # for days after February 1900, which they give a 29th
_TWO_DIGITS = {"%M": r"(?P<minute>\d\d)", "%S": r"\d\d"}
_LEADING = {"%H": r"\d{1,2}", "%I": r"\d{1,2}", "%d": r"\d{1,2}", "%m": r"\d{1,2}", "%Y": r"\d{4}", "%y": r"\d\d"}


def iso_moment(text: str) -> datetime | None:
    """
    >>> str(iso_moment("2026-01-05 08:43:00.5")), iso_moment("2026-01-05 08.43"), iso_moment("2026-01-05 08:43,5")
    ('2026-01-05 08:43:00.500000', None, None)
    >>> str(iso_moment("2026-01-05T24:00"))
    '2026-01-06 00:00:00'
    """
    if end := END_OF_DAY.fullmatch(text):
        return _next_day(iso_moment(f"{end[1]}00{end[2]}"))
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
    >>> str(moment_in("5.1.2026 1:30 p.m.", "%d.%m.%Y %I:%M %p")), str(moment_in("46330.3", DAY_NUMBER))
    ('2026-01-05 13:30:00', '2026-11-04 07:12:00')
    """
    if form == DAY_NUMBER:
        return _of_day_number(text)
    if end := END_OF_DAY.fullmatch(text):
        return _next_day(moment_in(f"{end[1]}00{end[2]}", form))
    text = HALF_OF_DAY.sub(r"\1m", text)
    try:
        moment = datetime.strptime(text, form)
    except ValueError:
        return None
    if "%M" not in form:
        return moment
    written = _pattern(form).fullmatch(text)
    return moment if written and int(written["minute"]) == moment.minute else None


def is_day_number(text: str) -> bool:
    """Whether it can be a spreadsheet's number of a day that a log may state.

    >>> is_day_number("46330.3"), is_day_number("46330"), is_day_number("8.43"), is_day_number("99999")
    (True, True, False, False)
    """
    day = _of_day_number(text)
    return day is not None and FIRST_YEAR <= day.year <= LAST_YEAR


def _of_day_number(text: str) -> datetime | None:
    if not re.fullmatch(r"\d{5}(?:[.,]\d+)?", text):
        return None
    return _FIRST_DAY + timedelta(seconds=round(float(text.replace(",", ".")) * 86400))


def _next_day(moment: datetime | None) -> datetime | None:
    return moment + timedelta(days=1) if moment else None


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
