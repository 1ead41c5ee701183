"""A file's cells as text in ``raw_<number>`` (``staging_tables``).

A large regular file stays where it is and ``raw_<number>`` is a view of it; anything else is a table.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb

from calib.calendar.written_time import FIRST_YEAR
from calib.errors import LogFileError
from calib.logs.read_table import RawTable, read_tables
from calib.logs.text_file import CELL_LIMIT
from calib.logs.words import library_says
from calib.store.staging_tables import FileTables
from calib.store.tables import text

END_BYTES = 1 << 16  # of a file, to guess from them which years are in it


@dataclass(frozen=True)
class Settings:
    """What typing depends on beside the row: a row read under other settings is another row."""

    zone: str
    names: str
    dropped: tuple[str, ...] = ()


def load_raw(con: duckdb.DuckDBPyConnection, number: int, table: RawTable, settings: Settings) -> None:
    """Make ``raw_<number>``.

    Raises LogFileError where a file is not as regular as it looked: then its copy (``careful_copy``) has to be read.
    """
    kind = "TABLE" if table.is_copy else "VIEW"
    with _in_words(table):
        con.execute(f"CREATE TEMP {kind} {FileTables(number).raw} AS {_query(table, settings)}")


def count_raw(con: duckdb.DuckDBPyConnection, number: int, table: RawTable) -> int:
    with _in_words(table):
        row = con.execute(f"SELECT count(*) FROM {FileTables(number).raw}").fetchone()
    return int(row[0]) if row else 0


def check_count(table: RawTable, rows: int) -> None:
    """Raises LogFileError where a file that is read as it is has not one row on each line."""
    if not table.is_copy and rows != table.lines - table.lines_before - table.header_line:
        raise LogFileError(f"{table.shown} has rows that go over several lines, or empty ones")


@contextmanager
def _in_words(table: RawTable) -> Iterator[None]:
    try:
        yield
    except duckdb.InterruptException:
        raise
    except duckdb.Error as error:
        raise LogFileError(f"{table.shown} cannot be read: {library_says(error)}.", "Save it again.") from error


def years_at_ends(csv: Path) -> tuple[int, int]:
    """First and last year that is named at the beginning or the end of a file: logs are written in order of time."""
    with csv.open("rb") as opened:
        ends = opened.read(END_BYTES)
        opened.seek(max(0, csv.stat().st_size - END_BYTES))
        ends += b" " + opened.read()
    years = [int(year) for year in re.findall(rb"(?<!\d)(199\d|20\d\d|2100)[-/]?\d", ends)] or [FIRST_YEAR]
    return min(years), max(years)


def careful_copy(con: duckdb.DuckDBPyConnection, number: int, table: RawTable, work: Path) -> RawTable:
    """The file as the slower reader has it, which knows every line."""
    con.execute(f"DROP VIEW IF EXISTS {FileTables(number).raw}")
    copy = read_tables(table.csv, (), work, table.shown, direct=False)[0]
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
        f"quote = '\"', escape = '\"', max_line_size = {CELL_LIMIT}, strict_mode = true))"
    )
