"""Log files into the store: all files are read first, then stored in one transaction."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Container, Iterable, Sequence
from collections.abc import Mapping as PerId
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from time import perf_counter

import duckdb

from calib.calendar.week import Hours
from calib.documents.logs import AfterImport, ImportedFile, StoredImport, StoredRows
from calib.errors import LogFileError, UnknownLogError
from calib.logs.mapping import Mapping
from calib.logs.read_mapping import read_mapping
from calib.logs.read_table import RawTable
from calib.progress import Progress, no_progress
from calib.scratch import scratch_folder
from calib.store.backup import copy_before
from calib.store.closed_hours import count_closed
from calib.store.fits import find_summary
from calib.store.health import last_logs, silent_machines, warnings_of
from calib.store.ids import hold_rows, join_held, set_aside_strange_runs, set_aside_used_ids
from calib.store.log_files import find_files, ledger_key, read_all, tables_in_ledger, write_ledger
from calib.store.merge import Fates, merge
from calib.store.open_store import open_store, open_trial
from calib.store.people import alias_people
from calib.store.raw_rows import Settings, careful_copy, load_raw
from calib.store.review import A_WEEK, count_review, list_review, mark_runs
from calib.store.set_aside import close_come_in, close_mended, count_set_aside, keep_set_aside, samples
from calib.store.staging import Staged, create_good, create_staged, odd_times, stage, unstage
from calib.store.tables import MENDED_COLUMNS, columns_of
from calib.store.transaction import transaction

WAIT_S = 60.0  # for another import to end
ORDER = ("builds", "items", "stages", "events")


@dataclass(frozen=True)
class ImportOptions:
    """How logs are read, and what the shop file says of the lab that they are of.

    timezone : IANA zone of stamps without offset
    people_names : 'alias', 'named' or 'off'
    mappings : of other people's columns, or their files; each log is read by the one that fits it
    hours, closures : opening spans of each weekday, and closed days
    shop_stages : that the shop added
    machines, materials : id -> process of those that the shop file has; others are warned of, and builds of another process;
        None: nothing is known of them
    stations : ids of those that the shop file has, its machines among them
    drop_columns : columns whose cells are never stored, not even among the rows set aside
    dry_run : say what would happen, in a copy of the store; nothing in the shop's folder is written
    copy_first : what the import is part of; where it brings anything new, a store that holds something is copied before
    """

    timezone: str
    people_names: str = "alias"
    mappings: tuple[Path | Mapping, ...] = ()
    hours: Hours | None = None
    closures: tuple[date, ...] = ()
    shop_stages: tuple[str, ...] = ()
    machines: PerId[str, str] | None = None
    materials: PerId[str, str] | None = None
    stations: Collection[str] = ()
    drop_columns: tuple[str, ...] = ()
    dry_run: bool = False
    copy_first: str | None = None

    @property
    def settings(self) -> Settings:
        return Settings(self.timezone, self.people_names, self.drop_columns)

    @property
    def known_names(self) -> dict[str, PerId[str, str]]:
        """Column -> ids of the shop file, of what is known of it."""
        both = {"machine": self.machines, "material": self.materials}
        return {column: ids for column, ids in both.items() if ids is not None}

    def read_mappings(self) -> list[Mapping]:
        """Raises LogFileError that lists every problem of a mapping's file."""
        return [m if isinstance(m, Mapping) else read_mapping(m, self.shop_stages) for m in self.mappings]


def import_files(
    folder: Path, paths: Iterable[Path], options: ImportOptions, say: Progress = no_progress
) -> StoredImport:
    """Import log files; the ``import`` document (docs/interface.md).

    paths : files, or folders of them; later ones correct earlier ones

    Raises LogFileError when no file could be read, StoreError when the store cannot be opened.
    """
    started = perf_counter()
    files = find_files(list(paths))
    mappings = options.read_mappings()
    read_as = ledger_key(options.settings, mappings, options.shop_stages)
    say("Opening the store ...")
    opened = open_trial(folder) if options.dry_run else open_store(folder, create=True, wait_s=WAIT_S)
    with scratch_folder() as work, opened as con:
        tables, errors = read_all(files, mappings, work, tables_in_ledger(con, read_as), say)
        if errors and not tables:
            raise _none_read(errors)
        is_new = not all(table.is_known for table in tables)
        copy = (
            copy_before(con, folder, options.copy_first) if options.copy_first and is_new and _holds_any(con) else None
        )
        staged = _stage_all(con, tables, work, options, say)
        with transaction(con):
            say("Storing ...")
            stored = _store(con, staged, read_as, options)
            after = _afterwards(con, options, stored)
    say("")
    return {
        **stored,
        **after,
        "files": [*stored["files"], *errors],
        "dry_run": options.dry_run,
        "copy": copy,
        "seconds": round(perf_counter() - started, 3),
    }


def _holds_any(con: duckdb.DuckDBPyConnection) -> bool:
    return _next_number(con, "log_import", "import_id") > 1


def _none_read(errors: Sequence[ImportedFile]) -> LogFileError:
    """Why the first file could not be read, and which others could not be either."""
    first, *others = errors
    more = f" Nor could {', '.join(Path(error['path']).name for error in others)} be read." if others else ""
    kind = UnknownLogError if first["is_unknown"] else LogFileError
    return kind(f"{first['error']}{more}", first["hint"])


def _stage_all(
    con: duckdb.DuckDBPyConnection, tables: Sequence[RawTable], work: Path, options: ImportOptions, say: Progress
) -> list[Staged]:
    """Type and check all tables into temporary ones.

    Outside of the transaction that stores them: a statement that fails inside one takes the whole of it along.
    """
    names = {kind: {name for table in tables if table.kind == kind for name in table.names} for kind in ORDER}
    for kind in ORDER:
        create_staged(con, kind, names[kind])
    staged = []
    for number, table in enumerate(tables):
        say(f"Checking {number + 1} of {len(tables)}: {table.shown} ...")
        staged.append(_check(con, number, table, work, options, names[table.kind]))
    for kind in ORDER:
        create_good(con, kind, names[kind])
    return staged


def _check(
    con: duckdb.DuckDBPyConnection,
    number: int,
    table: RawTable,
    work: Path,
    options: ImportOptions,
    names: Container[str],
) -> Staged:
    """Stage a table; a large file that is not as regular as it looked is read again by the slower reader, as a copy."""
    if table.is_known:
        return Staged(table)
    try:
        return _load_and_stage(con, number, table, options, names)
    except duckdb.InterruptException:
        raise
    except (LogFileError, duckdb.Error):
        if table.is_copy:
            raise
    unstage(con, number, table.kind)
    return _load_and_stage(con, number, careful_copy(con, number, table, work), options, names)


def _load_and_stage(
    con: duckdb.DuckDBPyConnection, number: int, table: RawTable, options: ImportOptions, names: Container[str]
) -> Staged:
    load_raw(con, number, table, options.settings)
    return stage(con, number, table, options.settings, names, options.shop_stages)


def _store(
    con: duckdb.DuckDBPyConnection, staged: Sequence[Staged], read_as: str, options: ImportOptions
) -> StoredRows:
    """Merge all staged tables inside the open transaction."""
    base = _next_number(con, "log_file", "file_id")
    call = _next_number(con, "log_import", "import_id")
    tables = [part.table for part in staged]
    present = {table.kind for table in tables}
    alias_people(con, present, options.people_names)
    set_aside_used_ids(con, present)
    if "stages" in present:
        set_aside_strange_runs(con)
    fates = Fates()
    for kind in (kind for kind in ORDER if kind in present):
        if kind == "stages":
            hold_rows(con)  # those whose build did not come before them
        fates = fates + merge(con, kind, base)
    joined = join_held(con) if present & {"builds", "items"} else 0
    set_aside = keep_set_aside(con, staged, base, options.people_names, options.shop_stages)
    close_come_in(con, base)
    for number, table in enumerate(tables):
        if not table.is_known:
            close_mended(con, number, table, base + number)
    files = [_file_row(number, part, fates, set_aside) for number, part in enumerate(staged)]
    count_closed(con, options.timezone, options.hours, options.closures)
    if present & {"stages", "builds"}:
        mark_runs(con, base, options.timezone)
    write_ledger(con, call, base, tables, files, options.timezone, read_as)
    return {
        "files": files,
        "joined": joined,
        "odd_times": odd_times(con, present),
        "newly_set_aside": count_set_aside(con, base),
        "quarantine": samples(con, base),
    }


def _next_number(con: duckdb.DuckDBPyConnection, table: str, column: str) -> int:
    row = con.execute(f"SELECT coalesce(max({column}), 0) + 1 FROM {table}").fetchone()
    return int(row[0]) if row else 1


def _file_row(number: int, staged: Staged, fates: Fates, set_aside: Counter[int]) -> ImportedFile:
    """Counts of one file; what was read and is none of the others was known by its text: a repeat."""
    table = staged.table
    read, aside = staged.rows + table.rows_before, set_aside[number] + table.bad_before
    new, corrected, held = (fates[number, fate] for fate in ("new", "corrected", "held"))
    known = {*columns_of(table.kind), *MENDED_COLUMNS}
    return {
        "path": table.shown,
        "kind": table.kind,
        "rows_read": read,
        "rows_new": new,
        "rows_corrected": corrected,
        "rows_repeated": read - new - corrected - held - aside,
        "rows_quarantined": aside,
        "rows_held": held,
        "error": None,
        "rows_not_read_again": table.rows_before,
        "kept_columns": [name for name in table.names if name not in known],
        "notes": list(table.notes),
        "mapping": table.mapping,
    }


def _afterwards(con: duckdb.DuckDBPyConnection, options: ImportOptions, stored: StoredRows) -> AfterImport:
    still_open, this_week = count_review(con)
    summary = find_summary(con)
    return {
        "warnings": warnings_of(con, options.known_names, stored["files"], stored["odd_times"], options.stations),
        "review": list_review(con, max(0, A_WEEK - this_week)),
        "review_open": still_open,
        "silent_machines": silent_machines(con),
        "last_logs": last_logs(con),
        "log_next": summary.get("log_next", []) if summary else [],
        "own_routes": summary.get("own_routes", []) if summary else [],
    }
