"""The files of an import: which ones, their tables, and the ledger of those that were read before."""

from __future__ import annotations

import hashlib
import importlib.metadata
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import duckdb

from calib.documents.logs import ImportedFile
from calib.errors import LogFileError, UnknownLogError
from calib.in_child import in_child
from calib.logs.ledger import LedgerTable
from calib.logs.mapping import Mapping
from calib.logs.read_table import RawTable, read_tables
from calib.logs.words import library_says
from calib.logs.workbook import TEMPLATES, is_unfilled
from calib.plain_file import check_plain
from calib.progress import Progress
from calib.results import MAPS, PARTS, PATHS, is_result, is_shop
from calib.scratch import scratch_folder
from calib.store.backup import BACKUPS
from calib.store.raw_rows import Settings
from calib.store.tables import text


def ledger_key(settings: Settings, mappings: Sequence[Mapping], shop_stages: Sequence[str]) -> str:
    """What the rows of a file depend on beside its bytes."""
    rules = sorted(repr(replace(mapping, name="")) for mapping in mappings)
    return hashlib.sha256(repr((settings, rules, sorted(shop_stages), _version())).encode()).hexdigest()


def tables_in_ledger(con: duckdb.DuckDBPyConnection, read_as: str) -> list[LedgerTable]:
    """Tables of files that were read in this way; none from before an import was taken back."""
    ledger = con.execute(
        """SELECT DISTINCT ON (sha256, bytes, sheet, kind) sha256, bytes, lines, sheet, kind, names, notes, rows_read,
            rows_quarantined FROM (
            SELECT *, sum(rows_used_again) OVER (PARTITION BY import_id, sha256) AS used_again FROM log_file
            JOIN log_import USING (import_id) WHERE read_as = ? AND taken_back_at IS NULL
            AND imported_at > coalesce((SELECT max(taken_back_at) FROM log_import), TIMESTAMP '-infinity')
        ) WHERE used_again = 0 ORDER BY sha256, bytes, sheet, kind, file_id""",
        [read_as],
    ).fetchall()
    return [
        LedgerTable(sha256, size, lines, sheet, kind, tuple(names), tuple(notes), rows, set_aside)
        for sha256, size, lines, sheet, kind, names, notes, rows, set_aside in ledger
    ]


def write_ledger(
    con: duckdb.DuckDBPyConnection,
    call: int,
    base: int,
    tables: Sequence[RawTable],
    files: Sequence[ImportedFile],
    zone: str,
    read_as: str,
) -> None:
    con.execute(
        "INSERT INTO log_import VALUES (?, (now() AT TIME ZONE 'UTC')::TIMESTAMP, ?, ?, NULL)", [call, zone, _version()]
    )
    used = dict(con.execute("SELECT file_no, count(DISTINCT raw_row) FROM used_again GROUP BY file_no").fetchall())
    for number, (table, file) in enumerate(zip(tables, files, strict=True)):
        con.execute(
            "INSERT INTO log_file VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [base + number, call, Path(table.shown).name, table.kind, table.sha256, *_counts(file),
             table.bytes, table.lines, read_as, used.get(number, 0), table.sheet, list(table.names), list(table.notes)],
        )  # fmt: skip


def _counts(file: ImportedFile) -> tuple[int, ...]:
    """Rows read, and what became of them, as the ledger has them."""
    return (
        file["rows_read"], file["rows_new"], file["rows_corrected"], file["rows_repeated"], file["rows_quarantined"],
        file["rows_held"],
    )  # fmt: skip


def _version() -> str:
    return importlib.metadata.version("calib")


SUFFIXES = {".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".ods", ".parquet", ".jsonl", ".ndjson", ".json", ".xml", ".gz"}
NEVER_LOGS = (BACKUPS, PARTS, PATHS, MAPS, "pages")  # folders of a shop
HIDDEN = (".", "~")  # how the names of hidden files and of an office's lock files begin


def find_files(paths: list[Path]) -> list[Path]:
    """The files to read, those of a folder by name; hidden files, office lock files and what calib itself wrote are passed over.

    Raises LogFileError where a name is not there or is a copy of the store, and where nothing is to be read.
    """
    files: list[Path] = []
    for path in paths:
        if _is_copy(path) or _is_copy(path.parent):
            raise LogFileError(f"{path} is a copy of the store, no log.", "Put it back with: calib restore")
        if path.is_dir():
            files += sorted(file for file in _files_below(path) if file.is_file() and _is_log(file))
        elif path.exists():
            files.append(path)
        else:
            raise LogFileError(f"There is no file or folder {path}.", "Check its name.")
    if not files:
        raise LogFileError(
            f"No log file in {', '.join(map(str, paths))}.", f"Files end in one of {', '.join(sorted(SUFFIXES))}."
        )
    return list(dict.fromkeys(files))


def _files_below(folder: Path) -> Iterator[Path]:
    """Raises LogFileError where a folder cannot be looked into: its logs would lack without a word."""

    def refuse(error: OSError) -> None:
        raise LogFileError(
            f"The folder {error.filename} cannot be read: {error.strerror}.", "Check its rights."
        ) from error

    for place, folders, names in os.walk(folder, onerror=refuse):
        here = Path(place)
        own = NEVER_LOGS if is_shop(here) else ()
        folders[:] = [name for name in folders if not (name.startswith(HIDDEN) or name in own or _is_copy(here / name))]
        files = (here / name for name in names)
        yield from files if here == folder and not is_shop(here) else (file for file in files if not _is_own(file))


def _is_copy(folder: Path) -> bool:
    """Whether it is a copy of a store, or the folder in which a shop keeps them."""
    absolute = folder.absolute()
    return (folder / "schema.sql").is_file() or (absolute.name == BACKUPS and is_shop(absolute.parent))


def _is_own(path: Path) -> bool:
    """Whether calib wrote it: a log template that nobody filled, an export, rows to mend, a table of predictions."""
    if not (path.is_file() and _is_log(path)):
        return False
    try:
        return is_result(path) or (path.parent.name == TEMPLATES and is_unfilled(path))
    except OSError:
        return False  # reported where it is read


def _is_log(path: Path) -> bool:
    return path.suffix.lower() in SUFFIXES and not path.name.startswith(HIDDEN)


def read_all(
    files: list[Path],
    mappings: Sequence[Mapping],
    work: Path,
    before: Iterable[LedgerTable],
    say: Progress,
) -> tuple[list[RawTable], list[ImportedFile]]:
    """Tables of all files, and the errors of those that cannot be read.

    before : tables that were read before in the same way
    """
    tables: list[RawTable] = []
    errors: list[ImportedFile] = []
    for number, path in enumerate(files, 1):
        say(f"Reading {number} of {len(files)}: {path.name} ...")
        try:
            source = _parquet_as_csv(path, work)
            tables += read_tables(source, mappings, work, str(path), before=before)
        except LogFileError as error:
            errors.append(_not_read(path, error))
    return tables, errors


def _not_read(path: Path, error: LogFileError) -> ImportedFile:
    return {
        "path": str(path),
        "kind": None,
        "rows_read": 0,
        "rows_new": 0,
        "rows_corrected": 0,
        "rows_repeated": 0,
        "rows_quarantined": 0,
        "rows_held": 0,
        "error": error.message,
        "hint": error.hint,
        "is_unknown": isinstance(error, UnknownLogError),
    }


@contextmanager
def as_text_file(path: Path) -> Iterator[Path]:
    """A file that can be read without the engine: Parquet as text with the same name, any other as it is."""
    with scratch_folder() as work:
        copy = _parquet_as_csv(path, work)
        yield copy if copy == path else copy.rename(copy.with_name(path.name))


def _parquet_as_csv(path: Path, work: Path) -> Path:
    """Parquet is written out as text by the engine; any other file is itself."""
    try:
        check_plain(path, LogFileError)
        with path.open("rb") as opened:
            if opened.read(4) != b"PAR1":
                return path
        size = path.stat().st_size
    except OSError as error:
        raise LogFileError(f"{path} cannot be read: {error.strerror}.", "Check its name and rights.") from error
    copy = work / f"parquet{len(list(work.iterdir()))}.csv"
    in_child(write_parquet_as_csv, path, copy, size=size, name=str(path), kind=LogFileError)
    return copy


def write_parquet_as_csv(path: Path, copy: Path) -> None:
    """Raises LogFileError for a damaged file."""
    try:
        with duckdb.connect(config={"threads": 2}) as con:
            con.execute(f"COPY (SELECT * FROM read_parquet(?)) TO {text(str(copy))} (HEADER)", [str(path)])
    except duckdb.Error as error:
        raise LogFileError(f"{path} is a damaged Parquet file: {library_says(error)}.", "Write it again.") from error
