"""Forget a person: every trace leaves the store, and the store's file is built anew so that no byte stays behind.

Files of the shop's folder in which the name or alias still stands are listed, not changed.
"""

from __future__ import annotations

import gzip
import html
import os
import re
import shutil
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb

from calib.documents.store import ForgetDocument, Place
from calib.errors import UsageError
from calib.logs.names import READ_AS, name_pattern
from calib.scratch import sweep_scratch
from calib.store.backup import BACKUPS, copy_before, list_backups
from calib.store.one_writer import hold_writing
from calib.store.open_store import STORE_NAME, WAIT_S, open_store
from calib.store.person import Person, find_person, take_out
from calib.store.restore import only_for_now, put_in_place, read_back, wal_of
from calib.store.tables import text
from calib.store.transaction import transaction


def forget_person(folder: Path, name: str, backups: bool = False, dry_run: bool = False) -> ForgetDocument:
    """Replace a person, by name or alias, by 'forgotten' in every text, and take them off their runs.

    backups : do the same to the backups and to stores that a restore replaced; otherwise they are only named
    dry_run : say what would change, change nothing

    Without ``backups`` the store is copied before; otherwise no copy may hold the person.

    Raises UsageError when no row of the store, or of a copy that is asked for, holds anybody of that name.
    """
    name = name.strip()
    if not name:
        raise UsageError("No name was given.", "Write the name as in the logs, or the alias as in the tables.")
    work, fresh = folder / ".rebuild", folder / (STORE_NAME + ".rebuilding")
    copies = [*list_backups(folder), *sorted(folder.glob("*.replaced-*.duckdb"))]
    with hold_writing(folder, WAIT_S, alone=True), only_for_now(work, fresh, wal_of(fresh)):
        with open_store(folder) as con:
            if not dry_run:
                _sweep(folder)
            person = find_person(con, name)
            somebody = person or (_person_in_copies(copies, name, work, fresh) if backups else None)
            if somebody is None:
                raise _nobody(name, bool(copies) and not backups)
            places = _export_without(con, person, work, dry_run) if person else []
            if person and not dry_run:
                read_back(work, fresh)
            before = None if backups or dry_run else copy_before(con, folder, "forget")
        if person and not dry_run:
            put_in_place(fresh, folder / STORE_NAME)
    if backups and not dry_run:
        for copy in copies:
            with only_for_now(work, fresh, wal_of(fresh)):
                _forget_in_copy(copy, somebody, work, fresh)
    listed = [str(copy) for copy in copies] + ([before["path"]] if before else [])
    return {
        "alias": somebody.shown,
        "cells": sum(place["cells"] for place in places),
        "places": places,
        "backups": [] if backups else listed,
        "backups_done": listed if backups and not dry_run else [],
        "files": files_with(folder, somebody.whole, [folder / BACKUPS]),
        "not_searched": list(NOT_SEARCHED),
        "dry_run": dry_run,
    }


def _nobody(name: str, has_copies: bool) -> UsageError:
    more = " Copies of the store are looked into with --backups." if has_copies else ""
    return UsageError(
        f'Nobody called "{name}" is in the store: no row that came in holds it as a person.',
        f"Write the whole name as in the logs, or give the alias.{more}",
    )


def _sweep(folder: Path) -> None:
    """Copies of the store and of logs that a kill left: nobody reads them, and people may stand in them."""
    sweep_scratch()
    for left in (folder / BACKUPS).glob("*.unfinished"):
        shutil.rmtree(left, ignore_errors=True)


def _person_in_copies(copies: list[Path], name: str, work: Path, fresh: Path) -> Person | None:
    for copy in copies:
        with only_for_now(work, fresh, wal_of(fresh)), _opened(copy, fresh) as con:
            if person := find_person(con, name):
                return person
    return None


def _export_without(con: duckdb.DuckDBPyConnection, person: Person, work: Path, dry_run: bool = False) -> list[Place]:
    """Write the store without the person to the folder ``work``; returns how many cells of which column held them.

    The store stays as it was: a new one, made of this, takes its place at once, so that a kill leaves either. Besides, what
    is changed in place leaves bytes behind.
    """
    with transaction(con, keep=False):
        places = take_out(con, person)
        if not dry_run:
            con.execute(f"EXPORT DATABASE {text(str(work))} (FORMAT parquet)")
    return places


@contextmanager
def _opened(copy: Path, fresh: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A backup (a folder), by way of a new store, or a store that was replaced (a file)."""
    if copy.is_dir():
        read_back(copy, fresh)
    with duckdb.connect(str(fresh if copy.is_dir() else copy)) as con:
        yield con


def _forget_in_copy(copy: Path, person: Person, work: Path, fresh: Path) -> None:
    """The same in a copy of the store, which is built anew too.

    The tables of a backup are replaced one by one: whenever that ends, it is whole, and can be made to forget again.
    """
    with _opened(copy, fresh) as con:
        _export_without(con, person, work)
    if copy.is_dir():
        for table in sorted(work.glob("*.parquet")):
            os.replace(table, copy / table.name)
    else:
        read_back(work, fresh)
        os.replace(fresh, copy)


SKIPPED = {".duckdb", ".wal", ".stl", ".3mf", ".obj", ".ply", ".png"}
NOT_SEARCHED = (
    "Names of columns, and ids: of builds, orders, quotes, runs and parts. A name in one of them stays.",
    "Pictures, meshes and PDF files in the shop's folder, and whatever lies outside it.",
    "Nicknames, misspelled names, and single words of fewer than three letters.",
)
LARGEST = 1 << 28  # bytes; a log that is larger is not looked into, and is named


def files_with(folder: Path, names: Iterable[str], beside: Iterable[Path] = ()) -> list[str]:
    """Files below ``folder`` that hold one of the names, and those too large or damaged to tell.

    beside : folders to pass over (backups, which are listed of their own)
    """
    pattern = name_pattern(names)
    passed = tuple(beside)
    return [
        str(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.suffix not in SKIPPED and not any(above in passed for above in path.parents)
        and (pattern.search(path.name) or _holds(path, pattern))
    ]  # fmt: skip


def _holds(path: Path, pattern: re.Pattern[str]) -> bool:
    try:
        if path.suffix == ".parquet":
            return any(pattern.search(text) for text in _parquet_texts(path))
        if path.stat().st_size > LARGEST:
            return True
        return any(pattern.search(text) for data in _texts(path) for text in _read_as(data))
    except (OSError, zipfile.BadZipFile, EOFError, zlib.error, duckdb.Error):
        return True


def _read_as(data: bytes) -> Iterator[str]:
    """Bytes as text in each way that a log may be read, and with what is escaped in it spelled out."""
    for encoding in ("utf-8", "utf-16-le", "utf-16-be") if b"\x00" in data else ("utf-8", READ_AS):
        text = data.decode(encoding, "replace")
        yield text
        if "\\u" in text:
            yield re.sub(r"\\u([0-9a-fA-F]{4})", lambda escape: chr(int(escape[1], 16)), text)
        if "&#" in text:
            yield html.unescape(text)


def _texts(path: Path) -> Iterator[bytes]:
    """The bytes of a file, unpacked where it is a workbook or gzip."""
    if path.suffix == ".gz":
        with gzip.open(path) as stream:
            yield stream.read(LARGEST)
    elif zipfile.is_zipfile(path):
        with zipfile.ZipFile(path) as archive:
            yield from (archive.read(member) for member in archive.infolist() if member.file_size < LARGEST)
    else:
        yield path.read_bytes()


def _parquet_texts(path: Path) -> Iterator[str]:
    with duckdb.connect() as con:
        rows = con.execute("SELECT DISTINCT to_json(t)::VARCHAR FROM read_parquet(?) t", [str(path)])
        while batch := rows.fetchmany(10_000):
            yield "\n".join(text for (text,) in batch)
