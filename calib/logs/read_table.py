"""A log file, whatever it is, -> one or more tables of text that the store can read."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from errno import ENOSPC
from pathlib import Path
from shlex import quote
from tempfile import gettempdir

from calib.errors import LogFileError, UnknownLogError
from calib.in_child import in_child
from calib.logs.choose_mapping import choose, why_none
from calib.logs.columns import KNOWN_NAMES, kind_of, plain_name
from calib.logs.formulas import as_written
from calib.logs.ledger import Digest, LedgerTable, digest_of, may_have_grown, tail_of
from calib.logs.mapping import Mapping
from calib.logs.source import Source, check_width, is_packed, opened_bytes
from calib.logs.text_file import Dialect, Row, rows, sniff
from calib.plain_file import check_plain

DIRECT_FROM_BYTES = 1 << 21  # larger plain files are read by the engine itself, which is quicker
FOREIGN = (b"PK", b"{", b"[", b"<")  # how workbooks, JSON and XML begin
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
    mapping : name of the one that it was read by; '' where there was none, or where it was read before
    headings : names of its columns as they stand in the file, where a copy was written
    only_sheet : the sheet that it is of, where others that are filled are no logs; else ''
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
    mapping: str = ""
    headings: tuple[str, ...] = ()
    only_sheet: str = ""


def read_table(path: Path, work: Path | None = None) -> RawTable:
    """The first table of a file; see ``read_tables``."""
    return read_tables(path, (), work or path.parent)[0]


def read_tables(
    path: Path,
    mappings: Sequence[Mapping],
    work: Path,
    shown: str = "",
    direct: bool = True,
    before: Iterable[LedgerTable] = (),
) -> list[RawTable]:
    """All tables of one file.

    mappings : how other people's columns become ours; each table is read by the one that fits it
    work : folder for clean copies
    shown : name to show instead of the path
    direct : let the engine read large plain files itself; False writes a clean copy in any case
    before : tables that were read before in the same way; what they hold is not read again

    Raises LogFileError when the file cannot be read as a table, or its kind is unknown.
    """
    shown = shown or str(path)
    try:
        check_plain(path, LogFileError)
        at_first = path.stat()
        digest = digest_of(path, before)
        tables = _unread(path, mappings, work, shown, digest) or _read(path, mappings, work, shown, direct, digest)
        afterwards = path.stat()
    except OSError as error:
        hint = f"Free some space in {gettempdir()}." if error.errno == ENOSPC else "Check its name and rights."
        raise LogFileError(f"{shown} cannot be read: {error.strerror or error}.", hint) from error
    if (at_first.st_size, at_first.st_mtime_ns) != (afterwards.st_size, afterwards.st_mtime_ns):
        raise LogFileError(f"{shown} was being written while it was read.", "Import it again once it is finished.")
    return [
        replace(table, sha256=digest.sha256, bytes=digest.bytes, lines=digest.lines, odd_blanks=digest.odd_blanks)
        for table in tables
    ]


def _unread(path: Path, mappings: Sequence[Mapping], work: Path, shown: str, digest: Digest) -> list[RawTable]:
    """The tables of a file of which a part or all was read before; none where it has to be read as a whole."""
    known = digest.beginning
    if known and known[0].bytes == digest.bytes:
        return [_known_table(path, shown, table_before) for table_before in known]
    if len(known) != 1 or not may_have_grown(path, known[0]):
        return []
    dialect = _sniffed(path, mappings)
    if choose(mappings, _text_source(path, dialect), shown):
        return []
    tail = tail_of(path, known[0], dialect.header_line, work)
    (table,) = _text_tables(tail, (), work, shown, True, digest_of(tail))
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


def _known_table(path: Path, shown: str, before: LedgerTable) -> RawTable:
    table = RawTable(
        shown + before.sheet, before.kind, before.names, path, ",", 1, False, "", notes=before.notes, sheet=before.sheet
    )
    return replace(table, rows_before=before.rows, bad_before=before.set_aside, is_known=True)


def _read(
    path: Path, mappings: Sequence[Mapping], work: Path, shown: str, direct: bool, digest: Digest
) -> list[RawTable]:
    """The tables of a file, each as often as there are mappings that fit it: one for builds, say, and one for stages."""
    with path.open("rb") as opened:
        start = opened.read(8)
    if start.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(FOREIGN):
        return in_child(foreign_tables, path, mappings, work, shown, size=digest.bytes, name=shown, kind=LogFileError)
    return _text_tables(path, mappings, work, shown, direct, digest)


def _text_tables(
    path: Path, mappings: Sequence[Mapping], work: Path, shown: str, direct: bool, digest: Digest
) -> list[RawTable]:
    dialect = _sniffed(path, mappings)
    source = _text_source(path, dialect)
    is_plain = dialect.encoding == "utf-8-sig" and not digest.zeros and not is_packed(path)
    if direct and is_plain and digest.bytes > DIRECT_FROM_BYTES and not choose(mappings, source, shown):
        return [_direct_table(path, shown, source, dialect)]
    return list(_source_tables([source], mappings, work, shown))


def foreign_tables(path: Path, mappings: Sequence[Mapping], work: Path, shown: str) -> list[RawTable]:
    """The tables of a workbook, of JSON or of XML."""
    return list(_foreign_tables(path, mappings, work, shown))


def _foreign_tables(path: Path, mappings: Sequence[Mapping], work: Path, shown: str) -> Iterator[RawTable]:
    with path.open("rb") as opened:
        start = opened.read(8)
    theirs = frozenset(name for mapping in mappings for name in mapping.source_names)
    if start.startswith(b"PK"):
        from calib.logs.workbook_file import sheets

        yield from _sheet_tables(sheets(path, shown, theirs), mappings, work, shown)
    elif start.lstrip(b"\xef\xbb\xbf \t\r\n").startswith((b"{", b"[")):
        from calib.logs.json_lines import json_rows

        with opened_bytes(path) as stream:
            names, found_rows = json_rows(shown, stream)
        yield from _source_tables([Source(tuple(names), lambda: found_rows)], mappings, work, shown)
    else:
        from calib.logs.mtconnect import stream_rows

        stream_names, stream_found, notes = stream_rows(path, shown)
        yield from _source_tables([Source(stream_names, lambda: stream_found, notes)], mappings, work, shown)


def _sniffed(path: Path, mappings: Sequence[Mapping]) -> Dialect:
    with opened_bytes(path) as stream:
        return sniff(path, stream, frozenset(name for mapping in mappings for name in mapping.source_names))


def _text_source(path: Path, dialect: Dialect) -> Source:
    def text_rows() -> Iterator[Row]:
        with opened_bytes(path) as stream:
            yield from rows(stream, dialect)

    other = "" if dialect.encoding == "utf-8-sig" else f"read as {dialect.encoding}"
    return Source(dialect.names, text_rows, tuple(note for note in (dialect.note, other) if note))


def _sheet_tables(sources: Sequence[Source], mappings: Sequence[Mapping], work: Path, shown: str) -> Iterator[RawTable]:
    """The tables of a workbook; a note names the sheets that are none, where a mapping was made for one."""
    read = _read_by(sources, mappings, shown)
    filled = [pair for pair in read if pair[0].is_filled] or read[:1]
    sheets = list(dict.fromkeys(source.sheet for source, _ in filled))
    is_mapped = any(mapping for _, mapping in filled)
    others = [f'"{pair.sheet}"' for pair in sources if pair.is_filled and pair.sheet not in sheets]
    note = (f"not read as this log: sheet {', '.join(others)}",) if others and is_mapped else ()
    for source, mapping in filled:
        sheet = "" if len(sheets) == 1 else f"#{source.sheet}"
        source = replace(source, notes=(*source.notes, *note))
        only = (source.sheet or "") if note and len(sheets) == 1 else ""
        yield replace(_written(shown + sheet, source, mapping, work), sheet=sheet, only_sheet=only)


def _source_tables(
    sources: Sequence[Source], mappings: Sequence[Mapping], work: Path, shown: str
) -> Iterator[RawTable]:
    yield from (_written(shown, source, mapping, work) for source, mapping in _read_by(sources, mappings, shown))


def _read_by(sources: Sequence[Source], mappings: Sequence[Mapping], shown: str) -> list[tuple[Source, Mapping | None]]:
    """What is read, and by which mapping: what mappings fit, and what is a log by itself, unless one names its sheet."""
    chosen = [(source, choose(mappings, source, shown)) for source in sources]
    is_alone = any(mapping.sheet for _, fit in chosen for mapping in fit)
    read: list[tuple[Source, Mapping | None]] = []
    for source, fit in chosen:
        itself = [None] if source.kind and not fit and not is_alone else []
        read += [(source, mapping) for mapping in (*fit, *itself)]
    if not read:
        likely = next(source for source in sources if source.is_likely)
        raise _unknown(shown, _headings(shown, likely.names), [*why_none(mappings, sources), *likely.notes])
    return read


def _direct_table(path: Path, shown: str, source: Source, dialect: Dialect) -> RawTable:
    names = _our_names(shown, source.names)
    kind = _kind(shown, names)
    return RawTable(shown, kind, names, path, dialect.delimiter, dialect.header_line, False, "", notes=source.notes)


def _written(shown: str, source: Source, mapping: Mapping | None, work: Path) -> RawTable:
    """The rows as a clean copy: UTF-8, comma, line and fault in front."""
    names, rows_found, notes = source.names, source.rows(), source.notes
    if mapping:
        if missing := mapping.missing(names):
            notes = (*notes, f"the mapping names columns that are not there: {', '.join(sorted(missing))}")
        kept = _Kept(mapping, rows_found)
        names, rows_found = mapping.apply(names, kept)
    headings, names = names, _our_names(shown, names)
    kind = (mapping.kind if mapping else None) or _kind(shown, names)
    copy = work / f"table{sum(1 for _ in work.glob('table*.csv'))}.csv"
    with copy.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL)
        writer.writerow([LINE, FAULT, *names])
        writer.writerows([row.line, row.fault, *row.cells] for row in rows_found)
    if mapping and kept.skipped:
        notes = (*notes, f"passed over, as the mapping says: {_listed(kept.skipped)}")
    read_by = mapping.name if mapping else ""
    return RawTable(shown, kind, names, copy, ",", 1, True, "", notes=notes, mapping=read_by, headings=headings)


class _Kept:
    """The rows that a mapping does not pass over; ``skipped``: the first filled cell of each other, once all are read."""

    def __init__(self, mapping: Mapping, rows: Iterable[Row]) -> None:
        self.mapping, self.rows, self.skipped = mapping, rows, list[str]()

    def __iter__(self) -> Iterator[Row]:
        for row in self.rows:
            if cell := self.mapping.passes_over(row):
                self.skipped.append(cell)
            else:
                yield row


def _listed(cells: Sequence[str]) -> str:
    """
    >>> _listed(["KW 34", "Summe", "KW 35"])
    '3 rows, such as "KW 34", "Summe"'
    """
    some = ", ".join(f'"{cell[:30]}"' for cell in list(dict.fromkeys(cells))[:2])
    return (
        f"{len(cells)} {'row' if len(cells) == 1 else 'rows'}, such as {some}" if len(cells) > 1 else f"the row {some}"
    )


def _our_names(shown: str, given: Iterable[str]) -> tuple[str, ...]:
    """Each name once, as calib spells it; an empty one gets its place.

    >>> _our_names("log.csv", ["Build_ID", "", "stage", "stage"])
    ('build_id', 'column 2', 'stage', 'stage 2')
    """
    names, taken = list(map(as_written, given)), list[str]()
    check_width(shown, names)
    for place, name in enumerate(names, 1):
        plain = plain_name(name)
        ours = plain if plain in KNOWN_NAMES else " ".join(name.strip("\ufeff").split()) or f"column {place}"
        count = 2
        while ours in taken:
            ours, count = f"{plain} {count}", count + 1
        taken.append(ours)
    return tuple(taken)


def _headings(shown: str, given: Sequence[str]) -> list[str]:
    """Names as they stand in the file, an empty one by its place, for a sentence."""
    return [name.strip("\ufeff ") or ours for name, ours in zip(given, _our_names(shown, given), strict=True)]


def _kind(shown: str, names: tuple[str, ...]) -> str:
    kind = kind_of(names)
    if kind is None:
        raise _unknown(shown, names, ())
    return kind


def _unknown(shown: str, names: Iterable[str], why: Iterable[str]) -> UnknownLogError:
    seen = ", ".join(list(names)[:12])
    return UnknownLogError(
        f"{'; '.join([f'{shown}: its columns ({seen}) are those of no log that calib knows', *why])}.",
        "A log of builds has build_id, process, machine, parts; one of stages has build_id, stage, started_at, ended_at. "
        f"For other names let a mapping be proposed: calib map {quote(shown)}",
    )
