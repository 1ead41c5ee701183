"""A log file, whatever it is, -> one or more tables of text that the store can read."""

from __future__ import annotations

import csv
import gzip
import io
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from calib.errors import LogFileError
from calib.logs.columns import KNOWN_NAMES, kind_of, plain_name
from calib.logs.mapping import Mapping
from calib.logs.read_before import Digest, ReadBefore, digest_of, may_have_grown, tail_of
from calib.logs.text_file import Dialect, Row, rows, sniff
from calib.logs.words import library_says

DIRECT_FROM_BYTES = 1 << 21  # larger plain files are read by the engine itself, which is quicker
EXPANDED_LIMIT = 4 << 30  # bytes that a compressed file may become
RATIO_LIMIT = 100  # unpacked bytes for each packed one; logs pack 3 to 30 times
COLUMN_LIMIT = 2000  # no log of builds or stages has more; the store would take minutes over them
LINE, FAULT = "calib line", "calib fault"  # columns that the written copy has in front


@dataclass(frozen=True)
class RawTable:
    """One table as text.

    shown : path as the user gave it, with '#sheet' where a workbook has several
    sheet : '#sheet' or ''
    kind : builds, stages, items or events
    names : column names, as calib spells them
    csv : file to read: the log itself, or a clean copy with LINE and FAULT in front
    header_line : lines of ``csv`` to pass over
    is_copy : whether ``csv`` is such a copy
    sha256 : of the file's bytes
    bytes, lines : how many it has
    rows_before, bad_before : rows at its beginning that were read before, and how many of these were set aside; ``csv``
        holds those behind them
    is_known : whether these are all there are
    lines_before : lines of the file that ``csv`` lacks
    odd_blanks : whether tabs or no-break spaces may stand around its cells
    notes : what was noticed, as sentences
    """

    shown: str
    kind: str
    names: tuple[str, ...]
    csv: Path
    delimiter: str
    header_line: int
    is_copy: bool
    sha256: str
    lines: int = 0
    bytes: int = 0
    rows_before: int = 0
    bad_before: int = 0
    is_known: bool = False
    lines_before: int = 0
    odd_blanks: bool = False
    notes: tuple[str, ...] = ()
    sheet: str = ""


def read_table(path: Path, mapping: Mapping | None = None, work: Path | None = None) -> RawTable:
    """The first table of a file; see ``read_tables``."""
    return read_tables(path, mapping, work or path.parent)[0]


def read_tables(
    path: Path,
    mapping: Mapping | None,
    work: Path,
    shown: str = "",
    direct: bool = True,
    before: Iterable[ReadBefore] = (),
) -> list[RawTable]:
    """All tables of one file.

    mapping : how other people's columns become ours
    work : folder for clean copies
    shown : name to show instead of the path
    direct : let the engine read large plain files itself; False writes a clean copy in any case
    before : tables that were read before in the same way; what they hold is not read again

    Raises LogFileError when the file cannot be read as a table, or its kind cannot be told.
    """
    shown = shown or str(path)
    try:
        refuse_pipe(path)
        at_first = path.stat()
        digest = digest_of(path, before)
        tables = _unread(path, mapping, work, shown, digest) or list(
            _tables(path, mapping, work, shown, direct, digest)
        )
        afterwards = path.stat()
    except OSError as error:
        raise LogFileError(
            f"{shown} cannot be read: {error.strerror or error}.", "Check its name and rights."
        ) from error
    if (at_first.st_size, at_first.st_mtime_ns) != (afterwards.st_size, afterwards.st_mtime_ns):
        raise LogFileError(f"{shown} was being written while it was read.", "Import it again once it is finished.")
    return [
        replace(table, sha256=digest.sha256, bytes=digest.bytes, lines=digest.lines, odd_blanks=digest.odd_blanks)
        for table in tables
    ]


def refuse_pipe(path: Path) -> None:
    """A log is read more than once, which a pipe or a device cannot be. Raises LogFileError."""
    if path.exists() and not path.is_file() and not path.is_dir():
        raise LogFileError(f"{path} is a pipe or a device, not a file.", "Save what it gives as a file first.")


def _unread(path: Path, mapping: Mapping | None, work: Path, shown: str, digest: Digest) -> list[RawTable]:
    """The tables of a file of which a part or all was read before; none where it has to be read as a whole."""
    known = digest.beginning
    if known and known[0].bytes == digest.bytes:
        return [
            RawTable(
                shown + one.sheet,
                one.kind,
                one.names,
                path,
                ",",
                1,
                False,
                "",
                rows_before=one.rows,
                bad_before=one.set_aside,
                is_known=True,
                notes=one.notes,
                sheet=one.sheet,
            )
            for one in known
        ]
    if len(known) != 1 or mapping or not may_have_grown(path, known[0]):
        return []
    with opened_bytes(path) as stream:
        dialect = sniff(path, stream)
    tail = tail_of(path, known[0], dialect.header_line, work)
    (table,) = _tables(tail, None, work, shown, True, digest_of(tail))
    if (table.kind, table.names) != (known[0].kind, known[0].names):
        return []
    return [
        replace(
            table,
            rows_before=known[0].rows,
            bad_before=known[0].set_aside,
            lines_before=known[0].lines - dialect.header_line,
        )
    ]


def _tables(
    path: Path, mapping: Mapping | None, work: Path, shown: str, direct: bool, digest: Digest
) -> Iterator[RawTable]:
    with path.open("rb") as opened:
        start = opened.read(8)
    if start.startswith(b"PK"):
        from calib.logs.workbook_file import sheets

        found = list(sheets(path, mapping, shown))
        for name, header, sheet_rows, notes in found:
            sheet = "" if len(found) == 1 else f"#{name}"
            yield replace(_written(shown + sheet, header, sheet_rows, mapping, work, notes), sheet=sheet)
    elif start.lstrip(b"\xef\xbb\xbf \t\r\n").startswith((b"{", b"[")):
        from calib.logs.json_lines import json_rows

        with opened_bytes(path) as stream:
            names, found_rows = json_rows(shown, stream)
        yield _written(shown, names, found_rows, mapping, work)
    elif start.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<"):
        from calib.logs.mtconnect import stream_rows

        stream_names, stream_found, notes = stream_rows(path, shown)
        yield _written(shown, stream_names, stream_found, mapping, work, notes)
    else:
        direct = direct and digest.bytes > DIRECT_FROM_BYTES and not start.startswith(b"\x1f\x8b")
        yield _text_table(path, mapping, work, shown, direct)


def _text_table(path: Path, mapping: Mapping | None, work: Path, shown: str, direct: bool) -> RawTable:
    with opened_bytes(path) as stream:
        dialect = sniff(path, stream, mapping.source_names if mapping else frozenset())
    plain = mapping is None and dialect.encoding == "utf-8-sig"
    other = "" if dialect.encoding == "utf-8-sig" else f"read as {dialect.encoding}"
    notes = tuple(note for note in (dialect.note, other) if note)
    if direct and plain:
        return _direct_table(path, shown, dialect, notes)
    with opened_bytes(path) as stream:
        return _written(shown, dialect.names, rows(stream, dialect), mapping, work, notes)


def _direct_table(path: Path, shown: str, dialect: Dialect, notes: tuple[str, ...]) -> RawTable:
    names = _our_names(shown, dialect.names)
    kind = _kind(shown, names, notes)
    return RawTable(shown, kind, names, path, dialect.delimiter, dialect.header_line, False, "", notes=notes)


def _written(
    shown: str,
    names: Iterable[str],
    found: Iterable[Row],
    mapping: Mapping | None,
    work: Path,
    notes: tuple[str, ...] = (),
) -> RawTable:
    """The rows as a clean copy: UTF-8, comma, line and fault in front."""
    names = tuple(names)
    if mapping:
        names, found = mapping.apply(shown, names, found)
    names = _our_names(shown, names)
    kind = (mapping.kind if mapping else None) or _kind(shown, names, notes)
    copy = work / f"table{sum(1 for _ in work.glob('table*.csv'))}.csv"
    with copy.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL)
        writer.writerow([LINE, FAULT, *names])
        writer.writerows([row.line, row.fault, *row.cells] for row in found)
    extra = tuple(mapping.notes) if mapping else ()
    return RawTable(shown, kind, names, copy, ",", 1, True, "", notes=notes + extra)


def _our_names(shown: str, given: Iterable[str]) -> tuple[str, ...]:
    """Each name once, as calib spells it; an empty one gets its place.

    >>> _our_names("log.csv", ["Build_ID", "", "stage", "stage"])
    ('build_id', 'column 2', 'stage', 'stage 2')
    """
    names, found = list(given), list[str]()
    if len(names) > COLUMN_LIMIT:
        raise LogFileError(f"{shown} has more than {COLUMN_LIMIT:,} columns.", "Leave out what is no log.")
    for place, name in enumerate(names, 1):
        plain = plain_name(name)
        ours = plain if plain in KNOWN_NAMES else " ".join(name.strip("\ufeff").split()) or f"column {place}"
        count = 2
        while ours in found:
            ours, count = f"{plain} {count}", count + 1
        found.append(ours)
    return tuple(found)


def _kind(shown: str, names: tuple[str, ...], notes: tuple[str, ...]) -> str:
    kind = kind_of(names)
    if kind is None:
        seen = ", ".join(names[:12])
        raise LogFileError(
            f"{'; '.join([f'{shown}: its columns ({seen}) are those of no log that calib knows', *notes])}.",
            "A log of builds has build_id, process, machine, parts; one of stages has build_id, stage, started_at, "
            "ended_at. For other names let a mapping be proposed: calib map FILE",
        )
    return kind


@contextmanager
def opened_bytes(path: Path) -> Iterator[io.BufferedIOBase]:
    """The bytes of a file, expanded where it is gzip, up to a limit."""
    with path.open("rb") as opened:
        if opened.read(2) != b"\x1f\x8b":
            opened.seek(0)
            yield opened
            return
    with gzip.open(path) as stream:
        limit = min(EXPANDED_LIMIT, max(RATIO_LIMIT * path.stat().st_size, 1 << 24))
        try:
            yield io.BufferedReader(_Limited(stream, limit, path.name))
        except (gzip.BadGzipFile, EOFError, zlib.error) as error:
            raise LogFileError(
                f"{path.name} is a damaged gzip file: {library_says(error)}.", "Pack it again."
            ) from error


class _Limited(io.RawIOBase):
    """A stream that stops where a compressed file expands beyond reason."""

    def __init__(self, stream: io.BufferedIOBase | gzip.GzipFile, limit: int, name: str) -> None:
        self.stream, self.left, self.name = stream, limit, name

    def readable(self) -> bool:
        return True

    def readinto(self, buffer) -> int:  # type: ignore[no-untyped-def]  # a buffer has no name in typing before 3.12
        data = self.stream.read(len(buffer))
        self.left -= len(data)
        if self.left < 0:
            raise LogFileError(
                f"{self.name} expands to far more than its size allows.", "Unpack it yourself and look at it."
            )
        buffer[: len(data)] = data
        return len(data)
