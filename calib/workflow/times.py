"""Times that a person types."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import pandas as pd

from calib.errors import UsageError
from calib.logs.check_rows import FIRST_YEAR, LAST_YEAR
from calib.logs.written_time import iso_moment


def check_year(day: date, text: str) -> None:
    """UsageError for a day whose year no log could have: sums of times overflow far out."""
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise UsageError(f'"{text}" is not between the years {FIRST_YEAR} and {LAST_YEAR}.', "Write 2026-12-04.")


def moment(text: str, zone: ZoneInfo, whole_day_ends: bool = False) -> datetime:
    """An ISO 8601 date or time; without an offset it is local time of the zone.

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


def end_of_day(text: str, timezone: str) -> pd.Timestamp:
    """Last second of a day in the shop's zone, as UTC."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise UsageError(f'"{text}" is not a date.', "Write it as YYYY-MM-DD, e.g. 2026-11-20.") from None
    check_year(day, text)
    return pd.Timestamp(datetime.combine(day, time(23, 59, 59), ZoneInfo(timezone))).tz_convert("UTC")
