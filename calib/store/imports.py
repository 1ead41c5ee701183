"""Log files into the store: all files are read first, then stored in one transaction."""

from __future__ import annotations

import importlib.metadata
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from time import perf_counter
from typing import Any

import duckdb

from calib.errors import LogFileError
from calib.logs.mapping import Mapping
from calib.logs.read_mapping import read_mapping
from calib.logs.read_table import RawTable, read_tables
from calib.store.closed_hours import count_closed
from calib.store.health import last_logs, silent_machines
from calib.store.ids import hold_rows, join_held, set_aside_used_ids
from calib.store.merge import Fates, merge
from calib.store.open_store import open_store
from calib.store.people import alias_operators
from calib.store.quarantine import close_mended, keep_rejects, samples
from calib.store.raw_rows import Settings, careful_copy, load_raw
from calib.store.review import A_WEEK, count_review, list_review
from calib.store.staging import create_staged, odd_times, stage, unstage
from calib.store.suspicious import mark_runs
from calib.store.tables import MENDED_COLUMNS, columns_of

ORDER = ("builds", "items", "stages", "events")
SUFFIXES = {".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".ods", ".parquet", ".jsonl", ".ndjson", ".json", ".xml", ".gz"}
ROWS = ("rows_read", "rows_new", "rows_corrected", "rows_repeated", "rows_quarantined", "rows_held")
Hours = Sequence[Sequence[tuple[int, int]]] | None


@dataclass(frozen=True)
class Ways:
    """How logs are read: zone of stamps without offset, people's names, hours, the shop's own stages."""

    settings: Settings
    hours: Hours
    closures: tuple[date, ...]
    shop_stages: tuple[str, ...]


def import_files(
    folder: Path,
    paths: Iterable[Path],
    timezone: str,
    people_names: str = "alias",
    hours: Hours = None,
    mapping: Path | Mapping | None = None,
    dry_run: bool = False,
    progress: Callable[[str], None] | None = None,
    closures: Iterable[date] = (),
    shop_stages: Iterable[str] = (),
    machines: Iterable[str] | None = None,
    drop_columns: Iterable[str] = (),
) -> dict[str, Any]:
    """Import log files; the contract's ``import`` document, with ``quarantine``, ``warnings``, ``review`` ... beside it.

    paths : files, or folders of them; later ones correct earlier ones
    timezone : IANA zone of stamps without offset
    people_names : 'alias', 'named' or 'off'
    hours : opening spans of each weekday, Monday first, as minutes of the local day
    dry_run : say what would happen, store nothing
    machines : ids that the shop file knows; others are warned of
    drop_columns : columns whose cells are never stored, not even among the rows set aside

    Raises LogFileError when no file could be read, StoreError when the store cannot be opened.
    """
    started = perf_counter()
    say = progress or (lambda text: None)
    files = find_files(list(paths), folder)
    shop_stages = tuple(shop_stages)
    rules = read_mapping(mapping, shop_stages) if isinstance(mapping, Path) else mapping
    ways = Ways(Settings(timezone, people_names, tuple(drop_columns)), hours, tuple(closures), tuple(shop_stages))
    with tempfile.TemporaryDirectory(prefix="calib-") as work, open_store(folder, create=True) as con:
        tables, errors = _read_all(con, files, rules, Path(work), say)
        if errors and not tables:
            raise LogFileError(errors[0]["error"], errors[0]["hint"])
        con.execute("BEGIN TRANSACTION")
        try:
            document = _store(con, tables, Path(work), ways, say)
            document |= _afterwards(con, set(machines) if machines is not None else None, document)
            con.execute("ROLLBACK" if dry_run else "COMMIT")
        except BaseException as error:
            _roll_back(con)
            if "interrupted" in str(error).lower():  # the engine turns Ctrl-C into an error of its own
                raise KeyboardInterrupt from error
            raise
    say("")
    document["files"] += errors
    return document | {"dry_run": dry_run, "seconds": round(perf_counter() - started, 3)}


def _roll_back(con: duckdb.DuckDBPyConnection) -> None:
    try:
        con.execute("ROLLBACK")
    except duckdb.Error:
        return  # the engine has rolled back already, or is gone; the file is as it was either way


def find_files(paths: list[Path], shop: Path) -> list[Path]:
    """The files to read, those of a folder by name; hidden files, office lock files and the store are passed over."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            found += sorted(p for p in path.rglob("*") if p.is_file() and _is_log(p, path))
        elif path.exists():
            found.append(path)
        else:
            raise LogFileError(f"There is no file or folder {path}.", "Check its name.")
    if not found:
        raise LogFileError(
            f"No log file in {', '.join(map(str, paths))}.", f"Files end in one of {', '.join(sorted(SUFFIXES))}."
        )
    return list(dict.fromkeys(found))


def _is_log(path: Path, folder: Path) -> bool:
    parts = path.relative_to(folder).parts
    return path.suffix.lower() in SUFFIXES and not any(part.startswith((".", "~")) for part in parts)


def _read_all(
    con: duckdb.DuckDBPyConnection,
    files: list[Path],
    mapping: Mapping | None,
    work: Path,
    say: Callable[[str], None],
) -> tuple[list[RawTable], list[dict[str, Any]]]:
    tables: list[RawTable] = []
    errors: list[dict[str, Any]] = []
    for path in files:
        say(f"Reading {path.name} ...")
        try:
            source = _parquet_as_csv(con, path, work)
            tables += read_tables(source, mapping, work, str(path))
        except LogFileError as error:
            zeros = dict.fromkeys(ROWS, 0)
            errors.append({"path": str(path), "kind": None, **zeros, "error": error.message, "hint": error.hint})
    return tables, errors


def _parquet_as_csv(con: duckdb.DuckDBPyConnection, path: Path, work: Path) -> Path:
    """Parquet is written out as text by the engine; any other file is itself."""
    try:
        with path.open("rb") as opened:
            if opened.read(4) != b"PAR1":
                return path
        copy = work / f"parquet{len(list(work.iterdir()))}.csv"
        con.execute(
            "COPY (SELECT * FROM read_parquet(?)) TO '" + str(copy).replace("'", "''") + "' (HEADER)", [str(path)]
        )
    except OSError as error:
        raise LogFileError(f"{path} cannot be read: {error.strerror}.", "Check its name and rights.") from error
    except duckdb.Error as error:
        raise LogFileError(
            f"{path} is a damaged Parquet file: {str(error).splitlines()[0]}", "Write it again."
        ) from error
    return copy


def _store(
    con: duckdb.DuckDBPyConnection, tables: list[RawTable], work: Path, ways: Ways, say: Callable[[str], None]
) -> dict[str, Any]:
    """Type, check and merge all tables inside the open transaction."""
    base = _next_number(con, "log_file", "file_id")
    call = _next_number(con, "log_import", "import_id")
    fates: Fates = {}
    typed: list[str] = []
    read: list[int] = []
    for kind in ORDER:
        create_staged(con, kind)
    for number, table in enumerate(tables):
        say(f"Checking {table.shown} ...")
        rows, query = _check(con, number, tables, work, ways)
        read.append(rows)
        typed.append(query)
    say("Storing ...")
    present = {table.kind for table in tables}
    for kind in ORDER:
        if kind in present:
            alias_operators(con, kind, ways.settings.names)
    set_aside_used_ids(con, present)
    for kind in ORDER:
        if kind in present:
            if kind == "stages":
                hold_rows(con)
            _add_fates(fates, merge(con, kind, base))
    joined = join_held(con) if present & {"builds", "items"} else 0
    rejected = keep_rejects(con, tables, typed, base, ways.settings.names, ways.shop_stages)
    for number, table in enumerate(tables):
        close_mended(con, number, table, base + number)
    files = [_file_row(number, table, read[number], fates, rejected) for number, table in enumerate(tables)]
    count_closed(con, ways.settings.zone, ways.hours, ways.closures)
    if "stages" in present:
        mark_runs(con, base, ways.settings.zone)
    _record(con, call, base, tables, files, ways.settings.zone)
    return {"files": files, "joined": joined, "odd_times": odd_times(con, present), "quarantine": samples(con, base)}


def _check(
    con: duckdb.DuckDBPyConnection, number: int, tables: list[RawTable], work: Path, ways: Ways
) -> tuple[int, str]:
    """Stage table ``number``; returns how many rows it has, and the query of its typed rows.

    A large file that is not as regular as it looked is read again by the slower reader.
    """
    try:
        return _load_and_stage(con, number, tables[number], ways)
    except (LogFileError, duckdb.Error) as error:
        if tables[number].is_copy or "interrupted" in str(error).lower():
            raise
    unstage(con, number, tables[number].kind)
    tables[number] = careful_copy(con, number, tables[number], work)
    return _load_and_stage(con, number, tables[number], ways)


def _load_and_stage(con: duckdb.DuckDBPyConnection, number: int, table: RawTable, ways: Ways) -> tuple[int, str]:
    extent = load_raw(con, number, table, ways.settings)
    return extent.rows, stage(con, number, table, ways.settings, extent.years, ways.shop_stages)


def _add_fates(fates: Fates, more: Fates) -> None:
    for file_no, counts in more.items():
        fates.setdefault(file_no, Counter()).update(counts)


def _next_number(con: duckdb.DuckDBPyConnection, table: str, column: str) -> int:
    row = con.execute(f"SELECT coalesce(max({column}), 0) + 1 FROM {table}").fetchone()
    return int(row[0]) if row else 1


def _file_row(number: int, table: RawTable, read: int, fates: Fates, rejected: Counter[int]) -> dict[str, Any]:
    """Counts of one file; what was read and is none of the others was known by its text: a repeat."""
    fate = fates.get(number, Counter())
    new, corrected, held, quarantined = fate["new"], fate["corrected"], fate["held"], rejected[number]
    known = {*columns_of(table.kind), *MENDED_COLUMNS}
    return {
        "path": table.shown,
        "kind": table.kind,
        "rows_read": read,
        "rows_new": new,
        "rows_corrected": corrected,
        "rows_repeated": read - new - corrected - held - quarantined,
        "rows_quarantined": quarantined,
        "rows_held": held,
        "error": None,
        "kept_columns": [name for name in table.names if name not in known],
        "notes": list(table.notes),
    }


def _record(
    con: duckdb.DuckDBPyConnection, call: int, base: int, tables: list[RawTable], files: list[dict[str, Any]], zone: str
) -> None:
    con.execute(
        "INSERT INTO log_import VALUES (?, (now() AT TIME ZONE 'UTC')::TIMESTAMP, ?, ?, NULL)",
        [call, zone, importlib.metadata.version("calib")],
    )
    for number, (table, counts) in enumerate(zip(tables, files, strict=True)):
        name = Path(table.shown).name
        con.execute(
            "INSERT INTO log_file VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [base + number, call, name, table.kind, table.sha256, *(counts[key] for key in ROWS)],
        )


def _afterwards(con: duckdb.DuckDBPyConnection, machines: set[str] | None, document: dict[str, Any]) -> dict[str, Any]:
    """What a person should know after an import."""
    warnings = []
    if machines is not None:
        rows = con.execute("SELECT DISTINCT machine FROM build ORDER BY machine").fetchall()
        warnings += [
            f'Machine "{name}" is not in the shop file: the defaults of its process are used.'
            for (name,) in rows
            if name not in machines
        ]
    for file in document["files"]:
        if file["kept_columns"]:
            names = ", ".join(file["kept_columns"])
            warnings.append(f"{file['path']}: columns that calib does not know were kept untouched: {names}.")
    odd = document["odd_times"]
    if odd.get("twice"):
        warnings.append(f"{odd['twice']} local times exist twice (the clock went back): the first was taken.")
    if odd.get("missing"):
        warnings.append(f"{odd['missing']} local times do not exist (the clock went forward): moved on by the gap.")
    still_open, this_week = count_review(con)
    return {
        "warnings": warnings,
        "review": list_review(con, max(0, A_WEEK - this_week)),
        "review_open": still_open,
        "silent_machines": silent_machines(con),
        "last_logs": last_logs(con),
    }
