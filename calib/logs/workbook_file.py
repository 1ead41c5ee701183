"""A workbook (XLSX, ODS) -> rows of text for each sheet that is a log."""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from calib.errors import LogFileError
from calib.logs.columns import KINDS, KNOWN_NAMES, plain_name
from calib.logs.header import HEADER_WITHIN, Header, find_header
from calib.logs.source import Source
from calib.logs.text_file import Row
from calib.logs.words import library_says

EXPANDED_LIMIT = 1 << 30  # bytes that a workbook may become
RATIO_LIMIT = 300
CELL_LIMIT = (
    1 << 25
)  # cells between the first and the last filled one of a sheet: the reader makes room for all of them
PLACE = re.compile(rb"""\br=["']([A-Za-z]*)([0-9]+)["']""")  # of a row or cell in XLSX
REPEATED = re.compile(rb"""-repeated=["']([0-9]+)["']""")  # how often a row or cell stands there, in ODS
ROW_LIMIT = 1 << 20  # rows of a sheet in every spreadsheet program
STAMPS = {column.name for columns in KINDS.values() for column in columns if column.kind == "stamp"}
MINUTES = {column.name for columns in KINDS.values() for column in columns if column.name.endswith("_min")}
DAY_0 = datetime(1899, 12, 31)  # from which spreadsheets count: 26 h in a cell of times of day is 2 h on the day after
NO_STAMP = 1901  # no lab's log is older: a day before this year is so many hours


def sheets(path: Path, shown: str, theirs: frozenset[str] = frozenset()) -> list[Source]:
    """Every sheet that holds a table.

    theirs : names of columns that mappings add to calib's own

    Raises LogFileError where it is no workbook that can be read, or no sheet is filled.
    """
    book = _opened(path, shown)
    tables = []
    for name in book.sheet_names:
        cells = _cells(book, name, shown)
        header = find_header([[_text(cell, "") for cell in row] for row in cells[:HEADER_WITHIN]], KNOWN_NAMES | theirs)
        if header:
            tables.append((name, header, cells))
    if not tables:
        raise LogFileError(f"{shown} has no filled sheet.", "It needs a line of column names and rows below it.")
    likeliest = max(tables, key=lambda table: table[1].worth)[1]
    return [
        Source(
            header.names,
            partial(_rows, cells, header),
            (header.note,) if header.note else (),
            name,
            is_likely=header.names == likeliest.names,
            is_filled=len(cells) > header.line,
        )
        for name, header, cells in tables
    ]


def _opened(path: Path, shown: str) -> Any:
    import python_calamine

    try:
        with zipfile.ZipFile(path) as archive:
            size = sum(item.file_size for item in archive.infolist())
            if size > EXPANDED_LIMIT or size > max(RATIO_LIMIT * path.stat().st_size, 1 << 24):
                raise LogFileError(f"{shown} expands to far more than its size allows.", "Save it anew, or as CSV.")
            for item in archive.infolist():
                _check_extent(archive.read(item), shown)
        return python_calamine.load_workbook(str(path))
    except (zipfile.BadZipFile, zlib.error, EOFError, python_calamine.CalamineError, ValueError, RuntimeError) as error:
        raise LogFileError(
            f"{shown} is no workbook that can be read: {library_says(error)}.", "Save it as XLSX, ODS or CSV."
        ) from error


def _check_extent(part: bytes, shown: str) -> None:
    """Refuse a sheet that spans more cells than the reader has room for, because of one that stands far out."""
    columns, high = {b""}, 0
    for letters, row in (place.groups() for place in PLACE.finditer(part)):
        columns.add(letters)
        high = max(high, int(row))
    wide, again = max(map(_column, columns)), max(map(int, REPEATED.findall(part)), default=0)
    if wide * high > CELL_LIMIT or again > ROW_LIMIT:
        raise LogFileError(
            f"{shown} has a sheet of {max(high, again):,} rows and {wide:,} columns, nearly all empty.",
            "Delete what stands far from its table, or save the table as CSV.",
        )


def _column(letters: bytes) -> int:
    """
    >>> _column(b"A"), _column(b"AA"), _column(b"XFD"), _column(b"")
    (1, 27, 16384, 1)
    """
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number or 1


def _cells(book: Any, name: str, shown: str) -> list[list[Any]]:
    """All cells of a sheet; what is merged down stands in each of its rows.

    But for numbers and times of day: those say once what all the rows took. Merged across, a cell stands once.
    """
    import python_calamine

    try:
        sheet = book.get_sheet_by_name(name)
        rows: list[list[Any]] = sheet.to_python(skip_empty_area=False)
        merged = sheet.merged_cell_ranges or ()
    except (python_calamine.CalamineError, ValueError) as error:
        raise LogFileError(
            f'{shown}: sheet "{name}" cannot be read: {library_says(error)}.', "Save it anew, or as CSV."
        ) from error
    for (top, left), (bottom, _) in merged:
        cell = rows[top][left : left + 1]
        if left == 0 or isinstance(next(iter(cell), None), str | date):
            for row in rows[top + 1 : bottom + 1]:
                row[left : left + 1] = cell
    return rows


def _rows(cells: list[list[Any]], header: Header) -> Iterator[Row]:
    names = list(map(plain_name, header.names))
    for place, row in enumerate(cells[header.line :], header.line + 1):
        padded = [*row, *[""] * (len(names) - len(row))]
        texts = [_text(cell, name) for cell, name in zip(padded, names, strict=False)]
        if any(texts):
            yield Row(place, texts)


def _text(cell: Any, name: str) -> str:
    """A cell as text; a stamp at midnight comes as a date and gets its time back.

    A duration is minutes under a name of ours that says so, else hours, minutes and seconds, which need no unit.

    >>> _text(date(2026, 1, 5), "started_at"), _text(date(2026, 1, 5), ""), _text(3.0, "")
    ('2026-01-05T00:00:00', '2026-01-05', '3')
    >>> _text(timedelta(hours=1), "work_min"), _text(time(1, 10), "work_min"), _text(timedelta(hours=30), "Dauer (h)")
    ('60', '70', '30:00:00')
    """
    match cell:
        case None:
            return ""
        case bool():
            return "true" if cell else "false"
        case float() if cell.is_integer() and abs(cell) < 1e15:
            return str(int(cell))
        case date() if cell.year < NO_STAMP:
            at = cell if isinstance(cell, datetime) else datetime.combine(cell, time())
            return _duration(at - DAY_0, name)
        case datetime():
            return (cell + timedelta(microseconds=500_000)).replace(microsecond=0).isoformat()
        case date():
            return f"{cell.isoformat()}T00:00:00" if name in STAMPS else cell.isoformat()
        case time() if name in MINUTES:
            return _duration(datetime.combine(date.min, cell) - datetime.min, name)
        case time():
            return cell.isoformat()
        case timedelta():
            return _duration(cell, name)
    return str(cell).strip()


def _duration(lasted: timedelta, name: str) -> str:
    if name in MINUTES:
        return f"{lasted.total_seconds() / 60:.10g}"
    seconds = abs(round(lasted.total_seconds()))
    sign = "-" if lasted < timedelta() else ""
    return f"{sign}{seconds // 3600}:{seconds // 60 % 60:02}:{seconds % 60:02}"
