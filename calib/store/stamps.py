"""SQL for stamps: what a cell says, local time to UTC, and how many local times exist twice or not at all."""

from __future__ import annotations

from datetime import datetime

from calib.calendar.local_time import steps
from calib.store.tables import quoted

# Minutes of one digit (a spreadsheet cut the 0), and a fraction behind hours or minutes, which is not one of a second.
ODD_CLOCK = r"^\d{4}-?\d{1,2}-?\d{1,2}[Tt ]\d{1,2}(?::\d(?:\D|$)|(?::?\d\d)?[.,])"
SECONDS, MINUTES = "____-__-_____:__:__", "____-__-_____:__"  # as most logs write them, without offset
TWICE, MISSING = 1, 16  # what ``odd_query`` adds for a stamp of either sort


def stamp_query(value: str) -> str:
    """The time as written, or as UTC where it has an offset (RFC 3339, ISO 8601 basic and extended); a day is no time."""
    basic = (
        rf"regexp_replace(regexp_replace(upper({value}), ',', '.'), "
        r"'^(\d{4})-?(\d\d)-?(\d\d)[T ](\d\d):?(\d\d)', '\1-\2-\3 \4:\5:')"
    )
    basic = rf"regexp_replace(regexp_replace({basic}, '::', ':'), ':(\D|$)', ':00\1')"
    basic = rf"regexp_replace({basic}, '(:\d\d):60', '\1:59')"  # a leap second is the second before it
    with_offset = f"coalesce(try_cast({value} AS TIMESTAMPTZ), try_cast({basic} AS TIMESTAMPTZ))::TIMESTAMP"
    without = f"coalesce(try_cast({value} AS TIMESTAMP), try_cast({basic} AS TIMESTAMP))"
    return (
        f"CASE WHEN {value} LIKE '{SECONDS}' THEN try_cast({value} AS TIMESTAMP) "
        f"WHEN {value} LIKE '{MINUTES}' THEN try_cast({value} AS TIMESTAMP) WHEN strlen({value}) < 11 THEN NULL "
        f"WHEN regexp_matches({value}, '{ODD_CLOCK}') THEN NULL "
        rf"WHEN regexp_matches({value}, '^\d{{5,}}-') THEN NULL "  # years of more than four digits: sums of them overflow
        f"WHEN {has_offset(value)} THEN {with_offset} ELSE {without} END"
    )


def has_offset(value: str) -> str:
    return (
        f"CASE WHEN {value} LIKE '{SECONDS}' THEN false WHEN {value} LIKE '{MINUTES}' THEN false "
        f"ELSE contains({value}, '+') OR contains({value}, 'Z') OR contains({value}, 'z') "
        f"OR contains(substr({value}, 11), '-') END"
    )


def utc_query(column: str, zone: str, years: tuple[int, int]) -> str:
    """A stamp of these years as UTC; ``<column>__offset`` says whether it is so already."""
    first, *others = steps(zone, *years)
    name = quoted(column)
    ahead = _stairs(name, [(step.local_from, step.offset_s * 1_000_000) for step in others], first.offset_s * 1_000_000)
    return f"CASE WHEN {column}__offset THEN {name} ELSE make_timestamp(epoch_us({name}) - {ahead}) END"


def odd_query(column: str, zone: str, years: tuple[int, int]) -> str:
    """TWICE or MISSING for a local time that exists twice or not at all, else 0."""
    code = {"twice": TWICE, "missing": MISSING}
    edges = [edge for step in steps(zone, *years)[1:] for edge in ((step.odd_from, code[step.kind]), (step.odd_to, 0))]
    return f"CASE WHEN {column}__offset THEN 0 ELSE {_stairs(quoted(column), edges, 0)} END"


def _stairs(name: str, edges: list[tuple[datetime, int]], before: int) -> str:
    """A step function of time as nested halves: eight comparisons for a century of changes.

    >>> print(_stairs("t", [(datetime(2026, 3, 29, 3), 7200)], 3600))
    CASE WHEN t >= TIMESTAMP '2026-03-29 03:00:00' THEN 7200 ELSE 3600 END
    """
    if not edges:
        return str(before)
    middle = len(edges) // 2
    at, value = edges[middle]
    later = _stairs(name, edges[middle + 1 :], value)
    return f"CASE WHEN {name} >= TIMESTAMP '{at}' THEN {later} ELSE {_stairs(name, edges[:middle], before)} END"
