"""Text -> typed, checked rows in temporary tables. All of it is SQL; names of columns are always quoted.

``staged_KIND`` holds what is new of all files of a kind, one row each: typed, and ``bad`` where it breaks a rule, then with
its cells as they stood; ``good_KIND`` are the others, with their key. ``known_KIND`` are digests of all rows that are
stored or were once.
"""

from __future__ import annotations

from collections.abc import Container, Iterable
from dataclasses import dataclass

import duckdb

from calib.calendar.written_time import FIRST_YEAR, LAST_YEAR
from calib.errors import LogFileError
from calib.logs.check_rows import rules_for
from calib.logs.columns import KINDS, Column
from calib.logs.read_table import RawTable
from calib.store.cells import MISSING, clean, no_apostrophe, odd_query, typed, utc_query
from calib.store.raw_rows import Settings, check_count, count_raw, years_at_ends
from calib.store.tables import KEY, MENDED_COLUMNS, SQL_TYPE, TABLE_OF, columns_of, quoted, text

# Asked for or filled whatever the files have.
ALWAYS = {"build_id", "order_id", "operator", "started_at", "ended_at", "date", "work_min", "outcome", "run_id"}


@dataclass(frozen=True)
class Staged:
    """What of a table is in ``staged_<kind>``.

    rows : how many it has, with those that are known
    typed : query of its typed rows, with ``@from`` for the raw rows: the rules are told one by one only for the few that
        break any
    """

    rows: int
    typed: str


def create_staged(con: duckdb.DuckDBPyConnection, kind: str, names: Container[str]) -> None:
    """Make ``staged_<kind>`` with those columns that one of the files has, ``names``, and ``known_<kind>``."""
    table = TABLE_OF[kind]
    columns = "".join(f", {quoted(c.name)} {_sql_type(c)}" for c in _kept(kind, names))
    held = ", held BOOLEAN, closed_min DOUBLE" if kind == "stages" else ""
    con.execute(
        f"CREATE TEMP TABLE staged_{kind} (file_no INTEGER, line BIGINT, raw_row BIGINT, raw_hash UBIGINT, "
        f"bad BOOLEAN, present BIGINT, odd INTEGER, cells VARCHAR[]{columns}{held}, extra VARCHAR)"
    )
    con.execute(
        f"CREATE TEMP VIEW known_{kind} AS SELECT raw_hash FROM {table} UNION ALL SELECT raw_hash FROM {table}_history"
    )


def create_good(con: duckdb.DuckDBPyConnection, kind: str, names: Container[str]) -> None:
    """Make ``good_<kind>``: the staged rows that break no rule, with all columns and their key."""
    lacking = [f", NULL::{_sql_type(c)} AS {quoted(c.name)}" for c in KINDS[kind] if c not in _kept(kind, names)]
    con.execute(
        f"CREATE TEMP VIEW good_{kind} AS SELECT *, {KEY[kind]} AS row_key FROM "
        f"(SELECT *{''.join(lacking)} FROM staged_{kind} WHERE NOT bad)"
    )


def _kept(kind: str, names: Container[str]) -> list[Column]:
    return [column for column in KINDS[kind] if column.name in names or column.name in ALWAYS]


def _sql_type(column: Column) -> str:
    return SQL_TYPE.get(column.kind, "VARCHAR")


def stage(
    con: duckdb.DuckDBPyConnection,
    number: int,
    table: RawTable,
    settings: Settings,
    names: Container[str],
    shop_stages: Iterable[str],
) -> Staged:
    """Type and check what of ``raw_<number>`` is not stored yet, into ``staged_<kind>``.

    Raises LogFileError where the file is not as regular as it looked.
    """
    kind, stages = table.kind, tuple(shop_stages)
    is_known = con.execute(f"SELECT raw_hash FROM known_{kind} LIMIT 1").fetchone() is not None
    where = f" WHERE raw_hash NOT IN (SELECT raw_hash FROM known_{kind})" if is_known else ""
    for years in (years_at_ends(table.csv), (FIRST_YEAR, LAST_YEAR)):
        typed_rows = _typed_query(table, settings.zone, years, stages)
        new = _insert(con, number, table, typed_rows.replace("@from", f"(SELECT * FROM raw_{number}{where})"), names)
        if _are_within(con, number, kind, names, years):
            break
        unstage(con, number, kind)
    rows = count_raw(con, number, table) if is_known else new
    check_count(table, rows)
    _refuse_blank_rows(con, number, table)
    return Staged(rows, typed_rows)


def _refuse_blank_rows(con: duckdb.DuckDBPyConnection, number: int, table: RawTable) -> None:
    """Raises LogFileError where a file that is read as it is has rows of empty cells, which are no rows."""
    filled = f"len(list_filter(cells, lambda cell: {clean('cell', True)} IS NOT NULL)) > 0"
    blank = f"SELECT 1 FROM staged_{table.kind} WHERE file_no = {number} AND bad AND NOT {filled} LIMIT 1"
    if not table.is_copy and con.execute(blank).fetchone():
        raise LogFileError(f"{table.shown} has rows of empty cells")


def _insert(
    con: duckdb.DuckDBPyConnection, number: int, table: RawTable, typed_rows: str, names: Container[str]
) -> int:
    """Typed rows into ``staged_<kind>``, with their cells where they break a rule; returns how many."""
    kind = table.kind
    bad = " OR ".join(f"coalesce({rule.bad}, false)" for rule in rules_for(kind))
    present = sum(1 << place for place, name in enumerate(columns_of(kind)) if name in table.names)
    cells = ", ".join(["fault", *_cells(table)])
    columns = ", ".join(quoted(column.name) for column in _kept(kind, names))
    held = ", false, NULL::DOUBLE" if kind == "stages" else ""
    row = con.execute(
        f"INSERT INTO staged_{kind} SELECT {number}, line, raw_row, raw_hash, bad, {present}::BIGINT, odd, "
        f"CASE WHEN bad THEN [{cells}] END, {columns}{held}, extra FROM (SELECT *, {bad} AS bad FROM ({typed_rows}))"
    ).fetchone()
    return int(row[0]) if row else 0


def _are_within(
    con: duckdb.DuckDBPyConnection, number: int, kind: str, names: Container[str], years: tuple[int, int]
) -> bool:
    """Whether all times of a table are within the years, or half a day beside them, for which they were made UTC."""
    low, high = f"TIMESTAMP '{years[0] - 1}-12-31 12:00:00'", f"TIMESTAMP '{years[1] + 1}-01-01 12:00:00'"
    stamps = [quoted(c.name) for c in _kept(kind, names) if c.kind == "stamp"]
    outside = " OR ".join(f"min({name}) < {low} OR max({name}) > {high}" for name in stamps) or "false"
    row = con.execute(f"SELECT coalesce({outside}, false) FROM staged_{kind} WHERE file_no = {number}").fetchone()
    return years == (FIRST_YEAR, LAST_YEAR) or not (row and row[0])


def unstage(con: duckdb.DuckDBPyConnection, number: int, kind: str) -> None:
    con.execute(f"DELETE FROM staged_{kind} WHERE file_no = {number}")


def collect_bad(con: duckdb.DuckDBPyConnection, number: int, table: RawTable) -> None:
    """Make ``bad_<number>``: raw rows, as in ``raw_<number>``, of what was set aside of a file."""
    cells = ", ".join(f"cells[{place}] AS {name}" for place, name in enumerate(["fault", *_cells(table)], 1))
    set_aside = f"FROM staged_{table.kind} WHERE file_no = {number} AND bad"
    con.execute(
        f"CREATE TEMP TABLE bad_{number} AS SELECT raw_row, line, raw_hash, {cells} {set_aside} AND cells IS NOT NULL"
    )
    used_again = con.execute(f"SELECT raw_row {set_aside} AND cells IS NULL").fetchall()
    if used_again:  # they were good until then
        names = ", ".join(["raw_row", "line", "raw_hash", "fault", *_cells(table)])
        con.execute(
            f"INSERT INTO bad_{number} SELECT {names} FROM raw_{number} WHERE raw_row IN (SELECT unnest(?::BIGINT[]))",
            [[row[0] for row in used_again]],
        )


def broken_rules(con: duckdb.DuckDBPyConnection, number: int, kind: str, typed_rows: str) -> dict[int, int]:
    """Raw row -> bits of the rules that it breaks, for the rows in ``bad_<number>``."""
    bits = " | ".join(
        f"CASE WHEN {rule.bad} THEN {1 << bit}::HUGEINT ELSE 0 END" for bit, rule in enumerate(rules_for(kind))
    )
    rows = typed_rows.replace("@from", f"bad_{number}")
    query = f"WITH typed AS MATERIALIZED ({rows}) SELECT raw_row, ({bits})::VARCHAR FROM typed"
    return {row: int(broken) for row, broken in con.execute(query).fetchall()}


def odd_times(con: duckdb.DuckDBPyConnection, kinds: Iterable[str]) -> dict[str, int]:
    """How many local times of new rows exist twice, and how many do not exist."""
    counts = {"twice": 0, "missing": 0}
    for kind in kinds:
        row = con.execute(
            f"SELECT coalesce(sum(odd % {MISSING}), 0), coalesce(sum(odd // {MISSING}), 0) FROM staged_{kind} WHERE odd > 0"
        ).fetchone()
        if row:
            counts["twice"] += int(row[0])
            counts["missing"] += int(row[1])
    return counts


def _typed_query(table: RawTable, zone: str, years: tuple[int, int], shop_stages: tuple[str, ...]) -> str:
    """Three layers: text, values with local times, times as UTC and blank cells as such."""
    columns = KINDS[table.kind]
    untidy = table.is_copy or table.odd_blanks
    cell = {name: f"r{place}" for place, name in enumerate(table.names)}
    texts = ", ".join(f"{_text(c, cell.get(c.name), untidy)} AS {quoted(c.name + '__text')}" for c in columns)
    values = ", ".join(typed(column, column.name in cell, shop_stages) for column in columns)
    stamps = [column.name for column in columns if column.kind == "stamp" and column.name in cell]
    odd = " + ".join(odd_query(name, zone, years) for name in stamps) or "0"
    later = [f"{utc_query(name, zone, years)} AS {quoted(name)}" for name in stamps]
    if not untidy:
        later += [_blank_as_null(column) for column in columns if column.kind in _TRIMMED_LATER and column.name in cell]
    first = f"SELECT *, {_extra(table)} AS extra, {texts} FROM @from"
    replaced = f" REPLACE ({', '.join(later)})" if later else ""
    third = f"SELECT *{replaced}, {odd} AS odd FROM (SELECT *, {values} FROM ({first}))"
    return f"SELECT * REPLACE ({_DATE_ONLY}) FROM ({third})" if table.kind == "stages" else third


_TRIMMED_LATER = ("number", "stamp")  # their values are read with blanks around them just as well

# A day where a stamp belongs, with minutes beside it, is the day of a run that was noted without stamps.
_DATE_ONLY = (
    "CASE WHEN date IS NULL AND started_at IS NULL AND work_min IS NOT NULL "
    "THEN try_cast(started_at__text AS DATE) ELSE date END AS date, "
    "CASE WHEN started_at IS NULL AND work_min IS NOT NULL AND try_cast(started_at__text AS DATE) IS NOT NULL "
    "THEN NULL ELSE started_at__text END AS started_at__text"
)


def _text(column: Column, cell: str | None, untidy: bool) -> str:
    if cell is None:
        return "NULL::VARCHAR"
    return cell if column.kind in _TRIMMED_LATER and not untidy else clean(cell, untidy)


def _blank_as_null(column: Column) -> str:
    name, cell = quoted(column.name), quoted(column.name + "__text")
    return f"CASE WHEN {name} IS NULL THEN {clean(cell, False)} ELSE {cell} END AS {cell}"


def _cells(table: RawTable) -> list[str]:
    return [f"r{place}" for place in range(len(table.names))]


def _extra(table: RawTable) -> str:
    """Columns that calib does not know, as JSON of what is filled in, in the order of their names as an export has them."""
    ours = {*columns_of(table.kind), *MENDED_COLUMNS}
    pairs = [
        f"{text(name)}, nullif({no_apostrophe(f'r{place}')}, '')"
        for name, place in sorted(zip(table.names, range(len(table.names)), strict=True))
        if name not in ours
    ]
    if not pairs:
        return "NULL::VARCHAR"
    return f"nullif(json_merge_patch('{{}}', json_object({', '.join(pairs)})), '{{}}')::VARCHAR"
