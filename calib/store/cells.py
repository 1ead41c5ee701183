"""SQL for cells: text without blanks, the typed value of each kind of column, and stamps as UTC."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from calib.calendar.local_time import steps
from calib.logs.columns import Column
from calib.records import PROCESS_WORDS, STAGES
from calib.store.tables import SQL_TYPE, quoted, text

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
    edge, value = edges[middle]
    later = _stairs(name, edges[middle + 1 :], value)
    return f"CASE WHEN {name} >= TIMESTAMP '{edge}' THEN {later} ELSE {_stairs(name, edges[:middle], before)} END"


BLANKS = " \t\r\n\u00a0"


def clean(cell: str, odd_blanks: bool) -> str:
    """The cell without blanks around it, empty as NULL. Trimming costs more than all else, so it is done where needed."""
    if odd_blanks:
        return f"nullif({no_apostrophe(f'trim({cell}, {text(BLANKS)})')}, '')"
    trimmed = no_apostrophe(f"trim({cell})")
    return f"CASE WHEN {cell} < '(' OR ends_with({cell}, ' ') THEN nullif({trimmed}, '') ELSE {cell} END"


def no_apostrophe(value: str) -> str:
    """Without the apostrophe that makes a formula harmless in a spreadsheet."""
    return rf"regexp_replace({value}, '^''(''*[=+@\t\r-])', '\1')"


def typed(column: Column, is_there: bool, shop_stages: Iterable[str]) -> str:
    """The typed value of ``<column>__text``, named; a stamp without offset is still local."""
    value = quoted(column.name + "__text")
    match column.kind:
        case _ if not is_there:
            expression = f"NULL::{SQL_TYPE.get(column.kind, 'VARCHAR')}"
        case "number":
            expression = _number(value)
        case "stamp":
            return f"{stamp_query(value)} AS {quoted(column.name)}, {has_offset(value)} AS {column.name}__offset"
        case "date":
            expression = f"try_cast({value} AS DATE)"
        case "flag":
            expression = f"try_cast({value} AS BOOLEAN)"
        case "process":
            expression = _words(f"lower({value})", PROCESS_WORDS)
        case "stage":
            expression = _stage(value, [*STAGES, *shop_stages])
        case "word":
            expression = _words(f"lower({value})", {word: word for word in column.words})
        case _ if column.name in ("build_id", "order_id", "quote_id"):
            expression = f"CASE WHEN contains({value}, '+') THEN {_sorted_ids(value)} ELSE {value} END"
        case _:
            expression = value
    return f"{expression} AS {quoted(column.name)}"


def _words(value: str, words: dict[str, str]) -> str:
    """The word of ours that stands for a word."""
    if all(word == ours for word, ours in words.items()):
        return f"CASE WHEN {value} IN ({', '.join(map(text, words))}) THEN {value} END"
    return f"CASE {value} {' '.join(f'WHEN {text(word)} THEN {text(ours)}' for word, ours in words.items())} END"


def _stage(value: str, known: list[str]) -> str:
    """A stage, or several joined by + of which none comes twice; in any case of letters."""
    words = ", ".join(map(text, known))
    parts = f"list_transform(string_split(lower({value}), '+'), lambda x: trim(x))"
    good = f"list_has_all([{words}], {parts}) AND len(list_distinct({parts})) = len({parts})"
    return f"CASE WHEN {value} IN ({words}) THEN {value} WHEN {good} THEN array_to_string({parts}, '+') END"


def _sorted_ids(value: str) -> str:
    """'B2 + B1' and 'B1+B2' are the same load."""
    parts = f"list_filter(list_transform(string_split({value}, '+'), lambda x: trim(x)), lambda x: x <> '')"
    return f"nullif(array_to_string(list_sort(list_distinct({parts})), '+'), '')"


def _number(value: str) -> str:
    """A finite number; a decimal comma is taken where it can be nothing else (not before exactly three digits)."""
    comma = rf"regexp_matches({value}, '^[+-]?\d+,(\d{{1,2}}|\d{{4,}})$')"
    point = f"CASE WHEN contains({value}, ',') AND {comma} THEN replace({value}, ',', '.') ELSE {value} END"
    number = f"CASE WHEN contains({value}, '_') THEN NULL ELSE try_cast({point} AS DOUBLE) END"
    return f"CASE WHEN isfinite({number}) THEN {number} END"
