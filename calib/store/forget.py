"""Forget a person: every trace leaves the store, and the store's file is built anew so that no byte stays behind."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path
from typing import Any

import duckdb

from calib.errors import UsageError
from calib.store.backup import list_backups, read_back
from calib.store.open_store import STORE_NAME, open_store
from calib.store.people import alias_of, find_key, is_alias, words_of

FORGOTTEN = "forgotten"
# Columns that hold words of calib's own; a name is never looked for there.
OWN_WORDS = {"process", "stage", "kind", "rule", "state", "outcome", "ended_by", "finish", "difficulty", "dtype", "zone",
             "calib_version", "table_name", "column_name", "basis", "sha256", "version", "shop_version", "word_digest"}  # fmt: skip


def forget_person(folder: Path, name: str, backups: bool = False) -> dict[str, Any]:
    """Replace a person, by name or alias, by 'forgotten' everywhere.

    backups : do the same to the backups; otherwise they are only named

    Returns alias, cells (how many were changed), backups (names of those that may still hold the person).
    Raises UsageError when nobody of that name is in the store.
    """
    if not name.strip():
        raise UsageError("No name was given.", "Write the name as in the logs, or the alias as in the tables.")
    path = folder / STORE_NAME
    fresh = folder / (STORE_NAME + ".rebuilding")
    with open_store(folder) as con:
        cells, alias = _forget_in(con, name)
        if not cells:
            raise UsageError(f'Nobody called "{name}" is in the store.', "Write it as in the logs, or give the alias.")
        _rebuild(con, folder, fresh)
    os.replace(fresh, path)
    found = list_backups(folder)
    if backups:
        for backup in found:
            _forget_in_backup(backup, name, folder)
    return {"alias": alias, "cells": cells, "backups": [] if backups else [str(backup) for backup in found]}


def _forget_in(con: duckdb.DuckDBPyConnection, name: str) -> tuple[int, str]:
    """Change every cell; returns how many, and the alias."""
    key = find_key(con)
    alias = name if is_alias(name) else alias_of(name, key) if key else name
    row = con.execute("SELECT count(*) FROM person WHERE alias = ?", [alias]).fetchone()
    known = bool(row and row[0])
    words = [alias] if is_alias(name) else [alias, name.strip(), *words_of(name)]
    pattern = "(?i)" + "|".join(rf"\b{re.escape(word)}\b" for word in sorted(set(words), key=len, reverse=True))
    con.execute("BEGIN TRANSACTION")
    try:
        con.execute("DELETE FROM person WHERE alias = ?", [alias])
        cells = sum(_forget_in_column(con, *column, pattern) for column in _text_columns(con))
        con.execute("COMMIT")
    except BaseException:
        con.execute("ROLLBACK")
        raise
    return cells + known, alias


def _text_columns(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str, str]]:
    found = con.execute(
        "SELECT table_name, column_name, data_type FROM duckdb_columns() WHERE NOT internal AND database_name = current_database()"
        " AND data_type IN ('VARCHAR', 'VARCHAR[]')"
    ).fetchall()
    return [column for column in found if column[1] not in OWN_WORDS and column[0] not in ("schema_version", "setting")]


def _forget_in_column(con: duckdb.DuckDBPyConnection, table: str, column: str, kind: str, pattern: str) -> int:
    name = f'"{column}"'
    hit = f"regexp_matches({name}, ?)" if kind == "VARCHAR" else f"regexp_matches(array_to_string({name}, ' '), ?)"
    row = con.execute(f"SELECT count(*) FROM {table} WHERE {hit}", [pattern]).fetchone()
    if not row or not row[0]:
        return 0
    new = f"regexp_replace({name}, ?, '{FORGOTTEN}', 'g')"
    if kind != "VARCHAR":
        new = f"list_transform({name}, lambda x: regexp_replace(x, ?, '{FORGOTTEN}', 'g'))"
    con.execute(f"UPDATE {table} SET {name} = {new} WHERE {hit}", [pattern, pattern])
    return int(row[0])


def _rebuild(con: duckdb.DuckDBPyConnection, folder: Path, fresh: Path) -> None:
    """Copy the store into a new file: rows that were deleted leave bytes in the old one."""
    work = folder / ".rebuild"
    shutil.rmtree(work, ignore_errors=True)
    fresh.unlink(missing_ok=True)
    try:
        con.execute(f"EXPORT DATABASE '{str(work).replace(chr(39), chr(39) * 2)}' (FORMAT parquet)")
        read_back(work, fresh)
    finally:
        shutil.rmtree(work, ignore_errors=True)


def _forget_in_backup(backup: Path, name: str, folder: Path) -> None:
    fresh, work = folder / ".backup.rebuilding", backup.with_name(backup.name + ".unfinished")
    fresh.unlink(missing_ok=True)
    read_back(backup, fresh)
    try:
        with duckdb.connect(str(fresh)) as con:
            _forget_in(con, name)
            con.execute(f"EXPORT DATABASE '{str(work).replace(chr(39), chr(39) * 2)}' (FORMAT parquet)")
        shutil.rmtree(backup)
        os.replace(work, backup)
    finally:
        fresh.unlink(missing_ok=True)
