"""SQL for cells: text without blanks, and the typed value of each kind of column."""

from __future__ import annotations

from collections.abc import Iterable

from calib.logs.columns import Column
from calib.records import PROCESS_WORDS, STAGES
from calib.store.stamps import has_offset, stamp_query
from calib.store.tables import SQL_TYPE, quoted, text

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
