"""Text -> typed, checked rows in temporary tables (``staging_tables``). All of it is SQL; column names are always quoted."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import duckdb

from calib.calendar.written_time import FIRST_YEAR, LAST_YEAR
from calib.errors import LogFileError
from calib.logs.check_rows import rules_for
from calib.logs.columns import KINDS, Column
from calib.logs.read_table import RawTable
from calib.store.cells import MISSING, clean, no_apostrophe, odd_query, typed, utc_query
from calib.store.raw_rows import Settings, check_count, count_raw, years_at_ends
from calib.store.staging_tables import FileTables, StagingTables
from calib.store.tables import KEY, MENDED_COLUMNS, SQL_TYPE, columns_of, quoted, text

# Asked for or filled whatever the files have.
ALWAYS = {"build_id", "order_id", "operator", "started_at", "ended_at", "date", "work_min", "outcome", "run_id"}
ALL_YEARS = (FIRST_YEAR, LAST_YEAR)
_TRIMMED_LATER = ("number", "stamp")  # their values are read with blanks around them just as well

# A day where a stamp belongs, with minutes beside it, is the day of a run that was noted without stamps.
_DATE_ONLY = (
    "CASE WHEN date IS NULL AND started_at IS NULL AND work_min IS NOT NULL "
    "THEN try_cast(started_at__text AS DATE) ELSE date END AS date",
    "CASE WHEN started_at IS NULL AND work_min IS NOT NULL AND try_cast(started_at__text AS DATE) IS NOT NULL "
    "THEN NULL ELSE started_at__text END AS started_at__text",
)


@dataclass(frozen=True)
class Typing:
    """How the raw rows of a table become typed ones.

    zone : IANA zone of stamps without offset; years : first and last for which they are made UTC
    """

    table: RawTable
    zone: str
    years: tuple[int, int]
    shop_stages: tuple[str, ...]

    def query(self, rows: str) -> str:
        """Typed rows of the relation ``rows``, which is as ``raw_N``: each layer selects from the one before."""
        for columns in self._layers():
            rows = f"(SELECT {columns} FROM {rows})"
        return rows

    def _layers(self) -> Iterator[str]:
        """Text; values with local times; times as UTC and blank cells as such; of stages days that stand as stamps."""
        columns, place = KINDS[self.table.kind], {name: f"r{nth}" for nth, name in enumerate(self.table.names)}
        untidy = self.table.is_copy or self.table.odd_blanks
        texts = [f"{_text(c, place.get(c.name), untidy)} AS {quoted(c.name + '__text')}" for c in columns]
        yield ", ".join(["*", f"{_extra(self.table)} AS extra", *texts])
        yield ", ".join(["*", *(typed(column, column.name in place, self.shop_stages) for column in columns)])
        stamps = [column.name for column in columns if column.kind == "stamp" and column.name in place]
        replaced = [f"{utc_query(name, self.zone, self.years)} AS {quoted(name)}" for name in stamps]
        if not untidy:
            replaced += [_blank_as_null(c) for c in columns if c.kind in _TRIMMED_LATER and c.name in place]
        odd = " + ".join(odd_query(name, self.zone, self.years) for name in stamps) or "0"
        yield f"*{_replace(replaced)}, {odd} AS odd"
        if self.table.kind == "stages":
            yield f"*{_replace(_DATE_ONLY)}"


@dataclass(frozen=True)
class Staged:
    """A table whose new rows are in ``staged_<kind>``.

    rows : how many it has, with those that are known
    typing : how its rows were typed; None where none had to be
    """

    table: RawTable
    rows: int = 0
    typing: Typing | None = None


def create_staged(con: duckdb.DuckDBPyConnection, kind: str, names: Container[str]) -> None:
    """Make ``staged_<kind>`` with those columns that one of the files has, ``names``, and ``known_<kind>``."""
    tables = StagingTables(kind)
    columns = "".join(f", {quoted(c.name)} {_sql_type(c)}" for c in _kept(kind, names))
    held = ", held BOOLEAN, closed_min DOUBLE" if kind == "stages" else ""
    con.execute(
        f"CREATE TEMP TABLE {tables.staged} (file_no INTEGER, line BIGINT, raw_row BIGINT, raw_hash UBIGINT, "
        f"bad BOOLEAN, present BIGINT, odd INTEGER, cells VARCHAR[]{columns}{held}, extra VARCHAR)"
    )
    con.execute(
        f"CREATE TEMP VIEW {tables.known} AS SELECT raw_hash FROM {tables.stored} UNION ALL SELECT raw_hash FROM {tables.history}"
    )


def create_good(con: duckdb.DuckDBPyConnection, kind: str, names: Container[str]) -> None:
    """Make ``good_<kind>``: the staged rows that break no rule, with all columns and their key."""
    tables = StagingTables(kind)
    lacking = [f", NULL::{_sql_type(c)} AS {quoted(c.name)}" for c in KINDS[kind] if c not in _kept(kind, names)]
    con.execute(
        f"CREATE TEMP VIEW {tables.good} AS SELECT *, {KEY[kind]} AS row_key FROM "
        f"(SELECT *{''.join(lacking)} FROM {tables.staged} WHERE NOT bad)"
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
    shop_stages: tuple[str, ...],
) -> Staged:
    """Type and check what of ``raw_<number>`` is not stored yet, into ``staged_<kind>``.

    Raises LogFileError where the file is not as regular as it looked.
    """
    known, raw = StagingTables(table.kind).known, FileTables(number).raw
    some_known = con.execute(f"SELECT raw_hash FROM {known} LIMIT 1").fetchone() is not None
    new_rows = f"(SELECT * FROM {raw} WHERE raw_hash NOT IN (SELECT raw_hash FROM {known}))" if some_known else raw
    typing = Typing(table, settings.zone, years_at_ends(table.csv), shop_stages)
    new = _insert(con, number, typing, new_rows, names)
    if not _are_within(con, number, table.kind, names, typing.years):
        unstage(con, number, table.kind)
        typing = replace(typing, years=ALL_YEARS)
        new = _insert(con, number, typing, new_rows, names)
    rows = count_raw(con, number, table) if some_known else new
    check_count(table, rows)
    _refuse_blank_rows(con, number, table)
    return Staged(table, rows, typing)


def _refuse_blank_rows(con: duckdb.DuckDBPyConnection, number: int, table: RawTable) -> None:
    """Raises LogFileError where a file that is read as it is has rows of empty cells, which are no rows."""
    filled = f"len(list_filter(cells, lambda cell: {clean('cell', True)} IS NOT NULL)) > 0"
    blank = (
        f"SELECT 1 FROM {StagingTables(table.kind).staged} WHERE file_no = {number} AND bad AND NOT {filled} LIMIT 1"
    )
    if not table.is_copy and con.execute(blank).fetchone():
        raise LogFileError(f"{table.shown} has rows of empty cells")


def _insert(con: duckdb.DuckDBPyConnection, number: int, typing: Typing, rows: str, names: Container[str]) -> int:
    """Typed rows into ``staged_<kind>``, with their cells where they break a rule; returns how many."""
    table, kind = typing.table, typing.table.kind
    bad = " OR ".join(f"coalesce({rule.bad}, false)" for rule in rules_for(kind))
    present = sum(1 << place for place, name in enumerate(columns_of(kind)) if name in table.names)
    cells = ", ".join(["fault", *_cells(table)])
    columns = ", ".join(quoted(column.name) for column in _kept(kind, names))
    held = ", false, NULL::DOUBLE" if kind == "stages" else ""
    row = con.execute(
        f"INSERT INTO {StagingTables(kind).staged} SELECT {number}, line, raw_row, raw_hash, bad, {present}::BIGINT, odd, "
        f"CASE WHEN bad THEN [{cells}] END, {columns}{held}, extra FROM (SELECT *, {bad} AS bad FROM {typing.query(rows)})"
    ).fetchone()
    return int(row[0]) if row else 0


def _are_within(
    con: duckdb.DuckDBPyConnection, number: int, kind: str, names: Container[str], years: tuple[int, int]
) -> bool:
    """Whether all times of a table are within the years, or half a day beside them, for which they were made UTC."""
    low, high = f"TIMESTAMP '{years[0] - 1}-12-31 12:00:00'", f"TIMESTAMP '{years[1] + 1}-01-01 12:00:00'"
    stamps = [quoted(c.name) for c in _kept(kind, names) if c.kind == "stamp"]
    outside = " OR ".join(f"min({name}) < {low} OR max({name}) > {high}" for name in stamps) or "false"
    staged = StagingTables(kind).staged
    row = con.execute(f"SELECT coalesce({outside}, false) FROM {staged} WHERE file_no = {number}").fetchone()
    return years == ALL_YEARS or not (row and row[0])


def unstage(con: duckdb.DuckDBPyConnection, number: int, kind: str) -> None:
    con.execute(f"DELETE FROM {StagingTables(kind).staged} WHERE file_no = {number}")


def collect_bad(con: duckdb.DuckDBPyConnection, number: int, table: RawTable) -> None:
    """Make ``bad_<number>``: raw rows, as in ``raw_<number>``, of what was set aside of a file."""
    tables = FileTables(number)
    cells = ", ".join(f"cells[{place}] AS {name}" for place, name in enumerate(["fault", *_cells(table)], 1))
    set_aside = f"FROM {StagingTables(table.kind).staged} WHERE file_no = {number} AND bad"
    con.execute(
        f"CREATE TEMP TABLE {tables.bad} AS SELECT raw_row, line, raw_hash, {cells} {set_aside} AND cells IS NOT NULL"
    )
    used_again = con.execute(f"SELECT raw_row {set_aside} AND cells IS NULL").fetchall()
    if used_again:  # they were good until then
        names = ", ".join(["raw_row", "line", "raw_hash", "fault", *_cells(table)])
        con.execute(
            f"INSERT INTO {tables.bad} SELECT {names} FROM {tables.raw} WHERE raw_row IN (SELECT unnest(?::BIGINT[]))",
            [[row[0] for row in used_again]],
        )


def broken_rules(con: duckdb.DuckDBPyConnection, number: int, typing: Typing) -> dict[int, int]:
    """Raw row -> bits of the rules that it breaks, for the rows in ``bad_<number>``: for these few one by one."""
    bits = " | ".join(
        f"CASE WHEN {rule.bad} THEN {1 << bit}::HUGEINT ELSE 0 END"
        for bit, rule in enumerate(rules_for(typing.table.kind))
    )
    rows = typing.query(FileTables(number).bad)
    query = f"WITH typed AS MATERIALIZED (FROM {rows}) SELECT raw_row, ({bits})::VARCHAR FROM typed"
    return {row: int(broken) for row, broken in con.execute(query).fetchall()}


def odd_times(con: duckdb.DuckDBPyConnection, kinds: Iterable[str]) -> dict[str, int]:
    """How many local times of new rows exist twice, and how many do not exist."""
    counts = {"twice": 0, "missing": 0}
    for kind in kinds:
        row = con.execute(
            f"SELECT coalesce(sum(odd % {MISSING}), 0), coalesce(sum(odd // {MISSING}), 0) FROM {StagingTables(kind).staged} WHERE odd > 0"
        ).fetchone()
        if row:
            counts["twice"] += int(row[0])
            counts["missing"] += int(row[1])
    return counts


def _replace(columns: Sequence[str]) -> str:
    return f" REPLACE ({', '.join(columns)})" if columns else ""


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
