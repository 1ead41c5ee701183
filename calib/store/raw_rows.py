"""A file's cells as text in ``raw_<number>``: raw_row (counted from 1), line, fault, r0, r1 ..., raw_hash.

A large regular file stays where it is and ``raw_<number>`` is a view of it; anything else is a table.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import duckdb

from calib.errors import LogFileError
from calib.logs.check_rows import FIRST_YEAR, LAST_YEAR
from calib.logs.read_table import RawTable, read_tables
from calib.store.tables import STAMPS, text


@dataclass(frozen=True)
class Settings:
    """What typing depends on beside the row: a row read under other settings is another row."""

    zone: str
    names: str
    dropped: tuple[str, ...] = ()


@dataclass(frozen=True)
class Extent:
    """rows : how many a file has; years : the first and the last one that its stamps can be in"""

    rows: int
    years: tuple[int, int]


def load_raw(con: duckdb.DuckDBPyConnection, number: int, table: RawTable, settings: Settings) -> Extent:
    """Make ``raw_<number>``; returns how far it goes.

    Raises LogFileError where a file is not as regular as it looked: then its copy (``careful_copy``) has to be read.
    """
    kind = "TABLE" if table.is_copy else "VIEW"
    try:
        con.execute(f"CREATE TEMP {kind} raw_{number} AS {_query(table, settings)}")
        stamps = [f"r{n}" for n, name in enumerate(table.names) if name in STAMPS]
        ends = ", ".join(f"min({cell}) FILTER ({cell} > ' '), max({cell})" for cell in stamps) or "NULL"
        rows, *found = con.execute(f"SELECT count(*), {ends} FROM raw_{number}").fetchall()[0]
    except duckdb.Error as error:
        raise LogFileError(f"{table.shown} cannot be read: {str(error).splitlines()[0]}") from error
    if not table.is_copy and rows != table.lines - table.lines_before - table.header_line:
        raise LogFileError(f"{table.shown} has rows that go over several lines, or empty ones")
    return Extent(rows, _years([cell for cell in found if cell]))


def _years(cells: list[str]) -> tuple[int, int]:
    """All years that are allowed where a cell starts with something else.

    >>> _years(["2026-01-05T08:00", "2027-02-01"]), _years(["05.01.2026"])
    ((2026, 2027), (1990, 2100))
    """
    years = [int(cell[:4]) if cell[:4].isdecimal() else 0 for cell in cells]
    good = years and all(FIRST_YEAR <= year <= LAST_YEAR for year in years)
    return (min(years), max(years)) if good else (FIRST_YEAR, LAST_YEAR)


def careful_copy(con: duckdb.DuckDBPyConnection, number: int, table: RawTable, work: Path) -> RawTable:
    """The file as the slower reader has it, which knows every line."""
    con.execute(f"DROP VIEW IF EXISTS raw_{number}")
    copy = read_tables(table.csv, None, work, table.shown, direct=False)[0]
    return replace(table, csv=copy.csv, delimiter=copy.delimiter, header_line=copy.header_line, is_copy=True)


def _query(table: RawTable, settings: Settings) -> str:
    gone = {place for place, name in enumerate(table.names) if name in settings.dropped}
    count = len(table.names) + (2 if table.is_copy else 0)
    columns = ", ".join(f"{text(f'c{place}')}: 'VARCHAR'" for place in range(count))
    cells = [f"c{place}" for place in range(count)][2 if table.is_copy else 0 :]
    kept = [f"{'NULL::VARCHAR' if place in gone else cell} AS r{place}" for place, cell in enumerate(cells)]
    digest = text("|".join((table.kind, settings.zone, settings.names, *table.names)))
    line = "c0::BIGINT" if table.is_copy else f"raw_row + {table.header_line}"
    fault = "nullif(c1, '')" if table.is_copy else "NULL::VARCHAR"
    return (
        f"SELECT raw_row, {line} + {table.lines_before} AS line, {fault} AS fault, {', '.join(kept)}, "
        f"hash({digest}, {', '.join(cells)}) AS raw_hash "
        f"FROM (SELECT row_number() OVER () AS raw_row, * FROM read_csv({text(str(table.csv))}, columns = {{{columns}}}, "
        f"auto_detect = false, header = false, skip = {table.header_line}, delim = {text(table.delimiter)}, "
        "quote = '\"', escape = '\"', max_line_size = 16777216, strict_mode = true))"
    )
