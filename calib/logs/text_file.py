"""Bytes of a delimited text file -> rows of cells: encoding, delimiter, header line, ragged and broken lines.

The format is RFC 4180's, read generously: any of four delimiters, LF or CR LF, UTF-8, UTF-16 or a Western code page.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from calib.errors import LogFileError
from calib.logs.columns import KNOWN_NAMES
from calib.logs.header import HEADER_WITHIN, Header, find_header

DELIMITERS = (",", ";", "\t", "|")
LONGEST_RECORD_LINES = 50  # a quote still open after so many lines was never meant to be one
NEVER_CLOSED = "has a quote that is never closed"
CELL_LIMIT = 1_000_000
LONGEST_LINE = 1 << 24  # letters; a longer one is none of a log
BLANK_LIMIT = 1_000_000  # in a row: so many would take minutes
LOOKED_AT = 1 << 16  # bytes at the beginning of a file in which its header is sought
_LINE_END = re.compile("\r\n|\r|\n")  # no others, as where rows are read
BROKEN = "\udcff"  # stands for bytes that are no text; no text holds it
csv.field_size_limit(CELL_LIMIT)
codecs.register_error("calib.broken", lambda error: (BROKEN, getattr(error, "end", 0)))


@dataclass(frozen=True)
class Dialect:
    """encoding : Python's name of it; delimiter : one character
    header_line : line of the header, counted from 1; 0 where there is none
    names : cells of the header as they stand there
    note : a sentence where the header was not the first line
    """

    encoding: str
    delimiter: str
    header_line: int
    names: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True)
class Row:
    """line : where it starts, counted from 1; cells : text, as many as the header has; fault : what is broken, or ''"""

    line: int
    cells: list[str]
    fault: str = ""


def sniff(path: Path, opened: io.BufferedIOBase, known: frozenset[str] = frozenset()) -> Dialect:
    """Encoding, delimiter and header of a file from its first bytes.

    known : column names that a mapping adds to calib's own

    Raises LogFileError where it is empty, or its first line is too long for names.
    """
    start = opened.read(LOOKED_AT)
    encoding = encoding_of(start)
    text = start.decode(encoding, errors="replace").lstrip("\ufeff")
    lines = _LINE_END.split(text)[:HEADER_WITHIN]
    if len(start) == LOOKED_AT and len(lines) < HEADER_WITHIN:
        if len(lines) == 1:
            raise LogFileError(
                f"{path.name} begins with a line of more than {LOOKED_AT >> 10} KB, which cannot be its column names.",
                "Put a line of column names on top, and each row on a line of its own.",
            )
        lines = lines[:-1]
    headers = _headers(lines, KNOWN_NAMES | known)
    if not headers:
        raise LogFileError(f"{path.name} is empty.", "It needs a line of column names and rows below it.")
    delimiter, header = max(headers.items(), key=lambda candidate: candidate[1].worth)
    return Dialect(encoding, delimiter, header.line, header.names, header.note)


def encoding_of(start: bytes) -> str:
    """UTF-8 unless a mark says UTF-16, zero bytes suggest it, or the bytes are not UTF-8: then Windows-1252.

    >>> encoding_of("Größe".encode()), encoding_of("Größe".encode("cp1252")), encoding_of("a,b".encode("utf-16"))
    ('utf-8-sig', 'cp1252', 'utf-16')
    """
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    if start[1::2].count(0) > len(start) / 4:
        return "utf-16-le"
    if start[0::2].count(0) > len(start) / 4:
        return "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(start, final=False)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _headers(lines: list[str], known: Collection[str]) -> dict[str, Header]:
    """The likeliest header under each delimiter that is there; none where all cells are empty."""
    used = [delimiter for delimiter in DELIMITERS if any(delimiter in line for line in lines)] or [","]
    headers = {delimiter: find_header([_cells(line, delimiter) for line in lines], known) for delimiter in used}
    return {delimiter: header for delimiter, header in headers.items() if header}


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return line.split(delimiter)


def rows(opened: io.BufferedIOBase, dialect: Dialect) -> Iterator[Row]:
    """Every row below the header, broken ones with their fault; lines without any text are passed over."""
    text = io.TextIOWrapper(opened, encoding=dialect.encoding, errors="calib.broken", newline="")  # type: ignore[type-var]
    try:
        shown = str(getattr(opened, "name", "the log"))
        for line, record, fault in _records(_lines(text.readline), dialect.header_line, dialect.delimiter, shown):
            row = _row(line, record, fault, dialect)
            if row.fault or any(cell.strip() for cell in row.cells):
                yield row
    finally:
        text.detach()  # who opened the bytes closes them


def _lines(read_line: Callable[[int], str]) -> Iterator[str]:
    """Every line once, so that the next keeps its number; of one too long its beginning, and a cell that none takes."""
    while line := read_line(LONGEST_LINE):
        piece = line
        while not piece.endswith(("\n", "\r")) and (piece := read_line(LONGEST_LINE)):
            line = line[:1000] + "x" * (csv.field_size_limit() + 1) + "\n"
        yield line


def _row(line: int, record: str, fault: str, dialect: Dialect) -> Row:
    width = len(dialect.names)
    cells = _split(record, dialect.delimiter)
    if cells is None:
        return Row(
            line,
            [record[:1000].replace(BROKEN, "\ufffd")] + [""] * (width - 1),
            "holds a cell that is too long or a broken quote",
        )
    if BROKEN in record or "\x00" in record:
        fault = fault or f"holds bytes that are no text in {dialect.encoding}"
        cells = [cell.replace("\x00", "").replace(BROKEN, "\ufffd") for cell in cells]
    if any(cell.strip() for cell in cells[width:]):
        fault = fault or f"has {len(cells)} cells where the header has {width}"
    cells = cells[:width]
    return Row(line, cells + [""] * (width - len(cells)), fault)


def _split(record: str, delimiter: str) -> list[str] | None:
    try:
        return next(csv.reader([record], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return None


def _is_open(record: str, delimiter: str) -> bool:
    """Whether a quoted cell goes on behind it; a quote within a cell that does not begin with one is a sign like any other.

    >>> _is_open('B1,"two, ', ","), _is_open('B1,"two"', ","), _is_open('B1,5" plate', ",")
    (True, False, False)
    """
    if '"' not in record:
        return False
    try:
        next(csv.reader([record], delimiter=delimiter, skipinitialspace=True, strict=True), [])
    except csv.Error as error:
        return "unexpected end of data" in str(error)
    return False


def _records(text: Iterator[str], skip: int, delimiter: str, shown: str) -> Iterator[tuple[int, str, str]]:
    """Line number, text and fault of each record; a quoted cell may go over several lines."""
    waiting: list[str] = []
    first, last = 0, skip
    for number, line in enumerate(text, 1):
        if number <= skip or (not waiting and line.isspace()):
            if number - last > BLANK_LIMIT:
                raise LogFileError(
                    f"{shown} has more than {BLANK_LIMIT:,} blank lines below line {last}.", "Take them out."
                )
            continue
        last = number
        if not waiting:
            first = number
        waiting.append(line)
        record = "".join(waiting).rstrip("\r\n")
        if not _is_open(record, delimiter):
            yield first, record, ""
            waiting = []
        elif len(waiting) >= LONGEST_RECORD_LINES:
            yield from _unclosed(waiting, first, delimiter)
            waiting = []
    if waiting:
        yield from _unclosed(waiting, first, delimiter)


def _unclosed(waiting: list[str], first: int, delimiter: str) -> Iterator[tuple[int, str, str]]:
    """The line whose quote is never closed is broken; those after it are read again on their own."""
    for place, line in enumerate(waiting):
        record = line.rstrip("\r\n")
        is_broken = place == 0 or _is_open(record, delimiter)
        yield first + place, record.replace('"', "") if is_broken else record, NEVER_CLOSED if is_broken else ""
