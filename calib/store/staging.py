"""Text tables -> typed, checked rows in temporary tables. All of it is SQL; names of columns are always quoted.

``raw_N`` holds file N as text; ``staged_KIND`` holds what is typed, one row each, with a bit set in ``bad`` for each
rule that a row breaks.
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
SQL_TYPE = {"number": "DOUBLE", "stamp": "TIMESTAMP", "date": "DATE", "flag": "BOOLEAN"}
BLANKS = " \t\r\n\u00a0"


@dataclass(frozen=True)
class Settings:
    """What typing depends on beside the row: a row read under other settings is another row."""

    zone: str
    names: str


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
    names = [LINE, FAULT, *table.names] if table.is_copy else list(table.names)
    columns = ", ".join(f"{text(f'c{place}')}: 'VARCHAR'" for place in range(len(names)))
    cells = [f"c{place}" for place in range(2 if table.is_copy else 0, len(names))]
    digest = text("|".join((table.kind, settings.zone, settings.names, *table.names)))
    front = "c0::BIGINT AS line, nullif(c1, '') AS fault, " if table.is_copy else ""
    con.execute(
        f"CREATE TEMP TABLE raw_{number} AS SELECT {front}{', '.join(f'{c} AS r{i}' for i, c in enumerate(cells))}, "
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
) -> None:
    """Type and check what of ``raw_<number>`` is not stored yet, into ``staged_<kind>``."""
    kind = table.kind
    line = "line" if table.is_copy else f"rowid + {table.header_line + 1}"
    fault = "fault" if table.is_copy else "NULL"
    cell = {name: f"r{place}" for place, name in enumerate(table.names)}
    typed = [_typed(column, cell, settings, con, number) for column in KINDS[kind]]
    present = sum(1 << place for place, column in enumerate(KINDS[kind]) if column.name in cell)
    first = (
        f"SELECT {number} AS file_no, {line} AS line, rowid AS raw_row, raw_hash, {fault} AS fault, "
        f"{_kept_columns(kind, table)} AS extra, "
        + ", ".join(f"{_clean(cell.get(c.name))} AS {quoted(c.name + '__text')}" for c in KINDS[kind])
        + f" FROM raw_{number} WHERE raw_hash NOT IN (SELECT raw_hash FROM known_{kind})"
    )
    good_stages = _good_stages(con, number, cell.get("stage"), shop_stages) if kind == "stages" else ""
    second = f"SELECT *, {', '.join(typed)} FROM ({first})".replace("@stages", good_stages or "''")
    if kind == "stages":
        second = f"SELECT * REPLACE ({_DATE_ONLY}) FROM ({second})"
    bits = " | ".join(
        f"CASE WHEN {rule.bad} THEN {1 << bit}::HUGEINT ELSE 0 END" for bit, rule in enumerate(rules_for(kind))
    )
    final = ", ".join(quoted(name) for name in columns_of(kind))
    con.execute(
        f"INSERT INTO staged_{kind} SELECT file_no, line, raw_row, raw_hash, ({bits})::HUGEINT AS bad, "
        f"{present}::BIGINT AS present, extra, {final} FROM ({second})"
    )


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
    con.execute(
        f"CREATE TEMP TABLE staged_{kind} (file_no INTEGER, line BIGINT, raw_row BIGINT, raw_hash UBIGINT, "
        f"bad HUGEINT, present BIGINT, extra VARCHAR, {columns})"
    )
    con.execute(
        f"CREATE TEMP VIEW known_{kind} AS SELECT raw_hash FROM {table} UNION ALL SELECT raw_hash FROM {table}_history"
    )


def _clean(cell: str | None) -> str:
    return f"nullif(trim({cell}, {text(BLANKS)}), '')" if cell else "NULL::VARCHAR"


def _kept_columns(kind: str, table: RawTable) -> str:
    """Columns that calib does not know, as JSON of what is filled in."""
    ours = set(columns_of(kind))
    pairs = [f"{text(name)}, nullif(r{place}, '')" for place, name in enumerate(table.names) if name not in ours]
    if not pairs:
        return "NULL::VARCHAR"
    return f"nullif(json_merge_patch('{{}}', json_object({', '.join(pairs)})), '{{}}')::VARCHAR"


def _typed(
    column: Column, cell: dict[str, str], settings: Settings, con: duckdb.DuckDBPyConnection, number: int
) -> str:
    value = quoted(column.name + "__text")
    match column.kind:
        case _ if column.name not in cell:
            expression = f"NULL::{SQL_TYPE.get(column.kind, 'VARCHAR')}"
        case "number":
            expression = _number(value)
        case "stamp":
            expression = _stamp(value, _offset_cases(con, number, cell[column.name], settings.zone))
        case "date":
            expression = f"try_cast({value} AS DATE)"
        case "flag":
            expression = f"try_cast({value} AS BOOLEAN)"
        case "process":
            words = " ".join(f"WHEN {text(word)} THEN {text(code)}" for word, code in PROCESS_WORDS.items())
            expression = f"CASE lower({value}) {words} END"
        case "stage":
            plain = f"lower(replace({value}, ' + ', '+'))"
            expression = f"CASE WHEN {plain} IN (@stages) THEN {plain} END"
        case "word":
            words = ", ".join(map(text, column.words))
            expression = f"CASE WHEN lower({value}) IN ({words}) THEN lower({value}) END"
        case _ if column.name in ("build_id", "order_id", "quote_id"):
            expression = f"CASE WHEN contains({value}, '+') THEN {_sorted_ids(value)} ELSE {value} END"
        case _:
            expression = value
    return f"{expression} AS {quoted(column.name)}"


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


def _stamp(value: str, offset_cases: str) -> str:
    """UTC of an ISO 8601 time; a day alone is no time; basic format (20261120T0830) is taken too."""
    has_offset = (
        f"contains({value}, '+') OR contains({value}, 'Z') OR contains({value}, 'z') OR contains(substr({value}, 11), '-')"
    )
    local = _local(value)
    basic = (
        rf"regexp_replace({value}, '^(\d{{4}})-?(\d\d)-?(\d\d)[Tt ](\d\d):?(\d\d)(?::?(\d\d)(?:[.,](\d+))?)?', "
        r"'\1-\2-\3 \4:\5:0\6.0\7')"
    )
    basic = rf"regexp_replace({basic}, ':0(\d\d)\.0', ':\1.')"
    with_offset = f"try_cast(coalesce(try_cast({value} AS TIMESTAMPTZ), try_cast({basic} AS TIMESTAMPTZ)) AS TIMESTAMP)"
    return (
        f"CASE WHEN length({value}) < 11 THEN NULL WHEN {has_offset} THEN {with_offset} "
        f"ELSE to_utc({local}) END".replace(f"to_utc({local})", _minus_offset(local, offset_cases))
    )


def _local(value: str) -> str:
    """A time without offset, in the common format or with the seconds after a comma, or without separators."""
    basic = (
        rf"regexp_replace(replace({value}, ',', '.'), "
        r"'^(\d{4})(\d\d)(\d\d)[Tt ](\d\d):?(\d\d)(?::?(\d\d))?$', '\1-\2-\3 \4:\5:0\6')"
    )
    basic = rf"regexp_replace({basic}, ':0(\d\d)$', ':\1')"
    return f"coalesce(try_cast({value} AS TIMESTAMP), try_cast({basic} AS TIMESTAMP))"


def _minus_offset(local: str, cases: str) -> str:
    return f"({local} - {cases.replace('@t', local)})"


def _offset_cases(con: duckdb.DuckDBPyConnection, number: int, cell: str, zone: str) -> str:
    """The zone's steps as CASE, for the years that the column holds."""
    years = con.execute(
        f"SELECT min(y), max(y) FROM (SELECT try_cast(substr(ltrim({cell}), 1, 4) AS INTEGER) AS y FROM raw_{number})"
        f" WHERE y BETWEEN {FIRST_YEAR} AND {LAST_YEAR}"
    ).fetchone()
    if not years or years[0] is None:
        return "to_seconds(0)"
    found = steps(zone, years[0], years[1])
    branches = " ".join(
        f"WHEN @t >= TIMESTAMP '{step.local_from}' THEN to_seconds({step.offset_s})" for step in found[:0:-1]
    )
    last = f"to_seconds({found[0].offset_s})"
    return f"CASE {branches} ELSE {last} END" if branches else last


def odd_times(con: duckdb.DuckDBPyConnection, number: int, table: RawTable, zone: str) -> dict[str, int]:
    """How many local times of a file exist twice, and how many do not exist."""
    counts = {"twice": 0, "missing": 0}
    for place, name in enumerate(table.names):
        if not any(column.name == name and column.kind == "stamp" for column in KINDS[table.kind]):
            continue
        years = con.execute(
            f"SELECT min(y), max(y) FROM (SELECT try_cast(substr(ltrim(r{place}), 1, 4) AS INTEGER) AS y "
            f"FROM raw_{number}) WHERE y BETWEEN {FIRST_YEAR} AND {LAST_YEAR}"
        ).fetchone()
        if not years or years[0] is None:
            continue
        for kind in counts:
            spans = [step for step in steps(zone, years[0], years[1]) if step.kind == kind]
            days = sorted({str(step.odd_from.date()) for step in spans} | {str(step.odd_to.date()) for step in spans})
            if not days:
                continue
            inside = " OR ".join(f"(t >= TIMESTAMP '{s.odd_from}' AND t < TIMESTAMP '{s.odd_to}')" for s in spans)
            found = con.execute(
                f"SELECT count(*) FROM (SELECT try_cast(trim(r{place}) AS TIMESTAMP) AS t FROM raw_{number} "
                f"WHERE substr(ltrim(r{place}), 1, 10) IN ({', '.join(map(text, days))}) "
                rf"AND NOT regexp_matches(r{place}, ':\d\d.*(Z|z|[+-]\d\d(:?\d\d)?)\s*$')) WHERE {inside}"
            ).fetchone()
            counts[kind] += int(found[0]) if found else 0
    return counts


def _good_stages(
    con: duckdb.DuckDBPyConnection, number: int, cell: str | None, shop_stages: Iterable[str]
) -> str:
    """Stage words of the file that are stages, as an SQL list."""
    if cell is None:
        return ""
    found = con.execute(
        f"SELECT DISTINCT lower(replace({_clean(cell)}, ' + ', '+')) FROM raw_{number} WHERE {cell} IS NOT NULL"
    ).fetchall()
    shop = tuple(shop_stages)
    return ", ".join(text(word) for (word,) in found if word and not stage_problem(word, shop))
