"""Text tables -> typed, checked rows in temporary tables. All of it is SQL; names of columns are always quoted.

``raw_N`` holds file N as text; ``staged_KIND`` holds what is typed, one row each, with its key, and ``bad`` where it
breaks a rule; ``good_KIND`` are the others.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import duckdb

from calib.errors import LogFileError
from calib.logs.check_rows import FIRST_YEAR, LAST_YEAR, rules_for
from calib.logs.columns import KINDS, Column
from calib.logs.local_time import steps
from calib.logs.read_table import FAULT, LINE, RawTable, read_tables
from calib.logs.words import stage_problem
from calib.records import PROCESS_WORDS

TABLE_OF = {"builds": "build", "stages": "stage_run", "items": "item", "events": "event"}
KEY = {
    "builds": "build_id",
    "stages": "coalesce('run ' || run_id, concat_ws(' | ', coalesce(build_id, order_id), stage, coalesce(station, '-'), "
    "coalesce(started_at::VARCHAR, date::VARCHAR, ended_at::VARCHAR, '-'), coalesce(attempt, 1)::INTEGER))",
    "items": "concat_ws(' | ', build_id, coalesce(order_id, '-'), coalesce(quote_id, '-'), coalesce(part_file, '-'))",
    "events": "concat_ws(' | ', \"at\"::VARCHAR, coalesce(machine, '-'), coalesce(station, '-'), what)",
}
SQL_TYPE = {"number": "DOUBLE", "stamp": "TIMESTAMP", "date": "DATE", "flag": "BOOLEAN"}
MENDED_COLUMNS = ("calib_reject", "calib_reason")  # in front of rows that were set aside and mended
BLANKS = " \t\r\n\u00a0"


@dataclass(frozen=True)
class Settings:
    """What typing depends on beside the row: a row read under other settings is another row."""

    zone: str
    names: str
    dropped: tuple[str, ...] = ()


def quoted(name: str) -> str:
    '''A column name as SQL has it.

    >>> print(quoted('a "b"'))
    "a ""b"""
    '''
    return '"' + name.replace('"', '""') + '"'


def text(value: str) -> str:
    """A text as SQL has it."""
    return "'" + value.replace("'", "''") + "'"


def columns_of(kind: str) -> list[str]:
    return [column.name for column in KINDS[kind]]


def load_raw(con: duckdb.DuckDBPyConnection, number: int, table: RawTable, work: Path, settings: Settings) -> RawTable:
    """Put one table into ``raw_<number>`` as text, with a digest of each row.

    A large file that is not as regular as it looked is read again by the slower reader, which knows every line.
    """
    try:
        _read_csv(con, number, table, settings)
        if table.is_copy or _row_count(con, number) == table.lines - table.header_line:
            return table
    except duckdb.Error as error:
        if table.is_copy:
            raise LogFileError(f"{table.shown} cannot be read: {str(error).splitlines()[0]}") from error
    con.execute(f"DROP TABLE IF EXISTS raw_{number}")
    copy = read_tables(table.csv, None, work, table.shown, direct=False)[0]
    _read_csv(con, number, copy, settings)
    return copy


def _row_count(con: duckdb.DuckDBPyConnection, number: int) -> int:
    found = con.execute(f"SELECT count(*) FROM raw_{number}").fetchone()
    return int(found[0]) if found else 0


def _read_csv(con: duckdb.DuckDBPyConnection, number: int, table: RawTable, settings: Settings) -> None:
    gone = {place for place, name in enumerate(table.names) if name in settings.dropped}
    names = [LINE, FAULT, *table.names] if table.is_copy else list(table.names)
    columns = ", ".join(f"{text(f'c{place}')}: 'VARCHAR'" for place in range(len(names)))
    cells = [f"c{place}" for place in range(2 if table.is_copy else 0, len(names))]
    kept = [f"{'NULL::VARCHAR' if place in gone else cell} AS r{place}" for place, cell in enumerate(cells)]
    digest = text("|".join((table.kind, settings.zone, settings.names, *table.names)))
    front = "c0::BIGINT AS line, nullif(c1, '') AS fault, " if table.is_copy else ""
    con.execute(
        f"CREATE TEMP TABLE raw_{number} AS SELECT {front}{', '.join(kept)}, "
        f"hash({digest}, {', '.join(cells)}) AS raw_hash "
        f"FROM read_csv(?, columns = {{{columns}}}, auto_detect = false, header = false, skip = ?, delim = ?, "
        "quote = '\"', escape = '\"', max_line_size = 16777216, strict_mode = true)",
        [str(table.csv), table.header_line, table.delimiter],
    )


def stage(
    con: duckdb.DuckDBPyConnection,
    number: int,
    table: RawTable,
    settings: Settings,
    shop_stages: Iterable[str],
) -> str:
    """Type and check what of ``raw_<number>`` is not stored yet, into ``staged_<kind>``.

    Returns the query of typed rows, with ``@where`` for a condition on raw rows: the rules are told one by one only for
    the few rows that break any.
    """
    kind = table.kind
    typed = _typed_query(con, number, table, settings, shop_stages)
    bad = " OR ".join(f"coalesce({rule.bad}, false)" for rule in rules_for(kind))
    present = sum(1 << place for place, name in enumerate(columns_of(kind)) if name in table.names)
    names = ", ".join(quoted(name) for name in columns_of(kind))
    held = ", false, NULL::DOUBLE" if kind == "stages" else ""
    new = f"raw_hash NOT IN (SELECT raw_hash FROM known_{kind})"
    con.execute(
        f"INSERT INTO staged_{kind} SELECT {number}, line, raw_row, raw_hash, {bad}, {present}::BIGINT, {KEY[kind]}, "
        f"{names}{held}, extra FROM ({typed.replace('@where', new)})"
    )
    return typed


def broken_rules(con: duckdb.DuckDBPyConnection, number: int, kind: str, typed: str) -> dict[int, int]:
    """Raw row -> bits of the rules that it breaks, for the rows of a file that break any."""
    bits = " | ".join(
        f"CASE WHEN {rule.bad} THEN {1 << bit}::HUGEINT ELSE 0 END" for bit, rule in enumerate(rules_for(kind))
    )
    rows = f"rowid IN (SELECT raw_row FROM staged_{kind} WHERE file_no = {number} AND bad)"
    found = con.execute(f"SELECT raw_row, ({bits})::VARCHAR FROM ({typed.replace('@where', rows)})").fetchall()
    return {row: int(broken) for row, broken in found}


def _typed_query(
    con: duckdb.DuckDBPyConnection, number: int, table: RawTable, settings: Settings, shop_stages: Iterable[str]
) -> str:
    """Three layers: text without blanks, values with local times, times as UTC."""
    kind = table.kind
    cell = {name: f"r{place}" for place, name in enumerate(table.names)}
    line = "line" if table.is_copy else f"rowid - {_first_rowid(con, number)} + {table.header_line + 1}"
    fault = "fault" if table.is_copy else "NULL::VARCHAR"
    texts = ", ".join(f"{_clean(c, cell.get(c.name), table)} AS {quoted(c.name + '__text')}" for c in KINDS[kind])
    stages = _good_stages(con, number, cell.get("stage"), shop_stages) if kind == "stages" else {}
    values = ", ".join(_value(column, column.name in cell, stages) for column in KINDS[kind])
    utc = [
        f"{_minus_offset(column.name, _offset_cases(con, number, cell[column.name], quoted(column.name), settings.zone))} AS {quoted(column.name)}"
        for column in KINDS[kind]
        if column.kind == "stamp" and column.name in cell
    ]
    extra = _kept_columns(kind, table)
    first = f"SELECT {line} AS line, rowid AS raw_row, raw_hash, {fault} AS fault, {extra} AS extra, {texts} FROM raw_{number} WHERE @where"
    second = f"SELECT *, {values} FROM ({first})"
    replaced = f" REPLACE ({', '.join(utc)})" if utc else ""
    third = f"SELECT *{replaced} FROM ({second})"
    return f"SELECT * REPLACE ({_DATE_ONLY}) FROM ({third})" if kind == "stages" else third


def _first_rowid(con: duckdb.DuckDBPyConnection, number: int) -> int:
    """Rows of an open transaction are numbered from a high number on."""
    found = con.execute(f"SELECT coalesce(min(rowid), 0) FROM raw_{number}").fetchone()
    return int(found[0]) if found else 0


# A day where a stamp belongs, with minutes beside it, is the day of a run that was noted without stamps.
_DATE_ONLY = (
    "CASE WHEN date IS NULL AND started_at IS NULL AND work_min IS NOT NULL "
    "THEN try_cast(started_at__text AS DATE) ELSE date END AS date, "
    "CASE WHEN started_at IS NULL AND work_min IS NOT NULL AND try_cast(started_at__text AS DATE) IS NOT NULL "
    "THEN NULL ELSE started_at__text END AS started_at__text"
)


def create_staged(con: duckdb.DuckDBPyConnection, kind: str) -> None:
    """Empty ``staged_<kind>``, and ``known_<kind>``: digests of all rows that are stored or were once."""
    table = TABLE_OF[kind]
    columns = ", ".join(f"{quoted(c.name)} {SQL_TYPE.get(c.kind, 'VARCHAR')}" for c in KINDS[kind])
    held = ", held BOOLEAN, closed_min DOUBLE" if kind == "stages" else ""
    con.execute(
        f"CREATE TEMP TABLE staged_{kind} (file_no INTEGER, line BIGINT, raw_row BIGINT, raw_hash UBIGINT, "
        f"bad BOOLEAN, present BIGINT, row_key VARCHAR, {columns}{held}, extra VARCHAR)"
    )
    con.execute(f"CREATE TEMP VIEW good_{kind} AS SELECT * FROM staged_{kind} WHERE NOT bad")
    con.execute(
        f"CREATE TEMP VIEW known_{kind} AS SELECT raw_hash FROM {table} UNION ALL SELECT raw_hash FROM {table}_history"
    )


def _clean(column: Column, cell: str | None, table: RawTable) -> str:
    """The cell without blanks around it, empty as NULL. Trimming costs more than all else, so it is done where needed."""
    if cell is None:
        return "NULL::VARCHAR"
    if table.is_copy or table.odd_blanks:
        return f"nullif({_no_apostrophe(f'trim({cell}, {text(BLANKS)})')}, '')"
    trimmed = _no_apostrophe(f"trim({cell})")
    return f"CASE WHEN {cell} < '(' OR ends_with({cell}, ' ') THEN nullif({trimmed}, '') ELSE {cell} END"


def _no_apostrophe(value: str) -> str:
    """Without the apostrophe that makes a formula harmless in a spreadsheet."""
    return rf"regexp_replace({value}, '^''(''*[=+@\t\r-])', '\1')"


def _kept_columns(kind: str, table: RawTable) -> str:
    """Columns that calib does not know, as JSON of what is filled in."""
    ours = {*columns_of(kind), *MENDED_COLUMNS}
    pairs = [
        f"{text(name)}, nullif({_no_apostrophe(f'r{place}')}, '')"
        for place, name in enumerate(table.names)
        if name not in ours
    ]
    if not pairs:
        return "NULL::VARCHAR"
    return f"nullif(json_merge_patch('{{}}', json_object({', '.join(pairs)})), '{{}}')::VARCHAR"


def _value(column: Column, is_there: bool, stages: dict[str, str]) -> str:
    """The typed value of ``<column>__text``; a stamp without offset is still local."""
    value = quoted(column.name + "__text")
    match column.kind:
        case _ if not is_there:
            expression = f"NULL::{SQL_TYPE.get(column.kind, 'VARCHAR')}"
        case "number":
            expression = _number(value)
        case "stamp":
            return f"{stamp_query(value)} AS {quoted(column.name)}, {_has_offset(value)} AS {column.name}__offset"
        case "date":
            expression = f"try_cast({value} AS DATE)"
        case "flag":
            expression = f"try_cast({value} AS BOOLEAN)"
        case "process":
            expression = _words(f"lower({value})", PROCESS_WORDS)
        case "stage":
            expression = _words(value, stages)
        case "word":
            expression = _words(f"lower({value})", {word: word for word in column.words})
        case _ if column.name in ("build_id", "order_id", "quote_id"):
            expression = f"CASE WHEN contains({value}, '+') THEN {_sorted_ids(value)} ELSE {value} END"
        case _:
            expression = value
    return f"{expression} AS {quoted(column.name)}"


def _words(value: str, words: dict[str, str]) -> str:
    """The word of ours that stands for a word."""
    if not words:
        return "NULL::VARCHAR"
    if all(word == ours for word, ours in words.items()):
        return f"CASE WHEN {value} IN ({', '.join(map(text, words))}) THEN {value} END"
    return f"CASE {value} {' '.join(f'WHEN {text(word)} THEN {text(ours)}' for word, ours in words.items())} END"


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


def _usual(value: str) -> str:
    """Whether a stamp is written as 2026-11-20T08:30:00, or without the seconds: then it has no offset."""
    return f"((strlen({value}) = 19 AND {value}[17] = ':') OR strlen({value}) = 16) AND {value}[5] = '-' AND {value}[14] = ':'"


def _has_offset(value: str) -> str:
    return (
        f"CASE WHEN {_usual(value)} THEN false ELSE contains({value}, '+') OR contains({value}, 'Z') "
        f"OR contains({value}, 'z') OR contains(substr({value}, 11), '-') END"
    )


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
        f"CASE WHEN {_usual(value)} THEN try_cast({value} AS TIMESTAMP) WHEN strlen({value}) < 11 THEN NULL "
        f"WHEN {_has_offset(value)} THEN {with_offset} ELSE {without} END"
    )


def _minus_offset(column: str, cases: str) -> str:
    name = quoted(column)
    return f"CASE WHEN {column}__offset THEN {name} ELSE make_timestamp(epoch_us({name}) - {cases}) END"


def _offset_cases(con: duckdb.DuckDBPyConnection, number: int, cell: str, column: str, zone: str) -> str:
    """Microseconds by which local time is ahead, as CASE over the zone's steps in the years that the column holds."""
    found = steps(zone, *_years(con, number, cell))
    branches = " ".join(
        f"WHEN {column} >= TIMESTAMP '{step.local_from}' THEN {step.offset_s * 1_000_000}" for step in found[:0:-1]
    )
    last = str(found[0].offset_s * 1_000_000)
    return f"CASE {branches} ELSE {last} END" if branches else last


def _years(con: duckdb.DuckDBPyConnection, number: int, cell: str) -> tuple[int, int]:
    """First and last year of a column of stamps; the whole range where a cell starts with something else."""
    found = con.execute(f"SELECT min({cell}), max({cell}) FROM raw_{number} WHERE {cell} > ' '").fetchone()
    years = [int(value[:4]) if value and value[:4].isdigit() else 0 for value in found or ()]
    if len(years) == 2 and all(FIRST_YEAR <= year <= LAST_YEAR for year in years):
        return years[0], years[1]
    return FIRST_YEAR, LAST_YEAR


def odd_times(con: duckdb.DuckDBPyConnection, number: int, table: RawTable, zone: str) -> dict[str, int]:
    """How many local times of a file exist twice, and how many do not exist."""
    counts = {"twice": 0, "missing": 0}
    stamps = [column.name for column in KINDS[table.kind] if column.kind == "stamp"]
    for cell in (f"r{place}" for place, name in enumerate(table.names) if name in stamps):
        odd = [step for step in steps(zone, *_years(con, number, cell)) if step.kind]
        if not odd:
            continue
        days = sorted({str(day.date()) for step in odd for day in (step.odd_from, step.odd_to)})
        near = " OR ".join(f"({cell} >= {text(day)} AND {cell} < {text(day + 'Z')})" for day in days)
        rows = (
            f"SELECT {stamp_query('v')} AS t FROM (SELECT trim({cell}) AS v FROM raw_{number} "
            f"WHERE {near}) WHERE NOT {_has_offset('v')}"
        )
        for kind in counts:
            inside = [f"(t >= TIMESTAMP '{s.odd_from}' AND t < TIMESTAMP '{s.odd_to}')" for s in odd if s.kind == kind]
            if inside:
                found = con.execute(f"SELECT count(*) FROM ({rows}) WHERE {' OR '.join(inside)}").fetchone()
                counts[kind] += int(found[0]) if found else 0
    return counts


def _good_stages(
    con: duckdb.DuckDBPyConnection, number: int, cell: str | None, shop_stages: Iterable[str]
) -> dict[str, str]:
    """Stage words of the file as they stand there -> the stage, for those that are one."""
    if cell is None:
        return {}
    shop = tuple(shop_stages)
    words = [
        row[0].strip(BLANKS) for row in con.execute(f"SELECT DISTINCT {cell} FROM raw_{number}").fetchall() if row[0]
    ]
    plain = {word: "+".join(part.strip() for part in word.lower().split("+")) for word in words}
    return {word: stage for word, stage in plain.items() if stage and not stage_problem(stage, shop)}
