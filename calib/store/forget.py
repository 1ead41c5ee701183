"""Forget a person: every trace leaves the store, and the store's file is built anew so that no byte stays behind."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

import duckdb

from calib.errors import UsageError
from calib.store.backup import BACKUPS, copy_before, list_backups
from calib.store.one_writer import hold_writing
from calib.store.open_store import STORE_NAME, WAIT_S, open_store
from calib.store.people import alias_of, find_key, is_alias, words_of
from calib.store.restore import only_for_now, put_in_place, read_back, wal_of
from calib.store.tables import text
from calib.store.traces import files_with
from calib.store.transaction import transaction

FORGOTTEN = "forgotten"
# Columns that people write in: there every word of a name is looked for. Elsewhere (ids, machines, file names) only the
# whole name or the alias, so that nothing is renamed that only shares a word with a person.
FREE_TEXT = {"operator", "note", "extra", "value", "row_text", "verdict_note", "what", "texts"}
# Columns that hold words of calib's own; a name is never looked for there.
OWN_WORDS = {"process", "stage", "kind", "rule", "state", "outcome", "ended_by", "finish", "difficulty", "dtype", "zone",
             "calib_version", "table_name", "column_name", "basis", "sha256", "version", "shop_version", "word_digest"}  # fmt: skip


def forget_person(folder: Path, name: str, backups: bool = False) -> dict[str, Any]:
    """Replace a person, by name or alias, by 'forgotten' in every text, and take them off their runs.

    backups : do the same to the backups and to stores that a restore replaced; otherwise they are only named

    Without ``backups`` the store is copied before; otherwise no copy may hold the person.

    Returns alias, cells (how many were changed), backups (those that may still hold the person), backups_done, files
    (others of the shop's folder that still do).
    Raises UsageError when nobody of that name is in the store.
    """
    name = name.strip()
    if not name:
        raise UsageError("No name was given.", "Write the name as in the logs, or the alias as in the tables.")
    work, fresh = folder / ".rebuild", folder / (STORE_NAME + ".rebuilding")
    copies = [*list_backups(folder), *sorted(folder.glob("*.replaced-*.duckdb"))]
    with hold_writing(folder, WAIT_S, alone=True), only_for_now(work, fresh, wal_of(fresh)):
        with open_store(folder) as con:
            alias = _alias_in(con, name)
            cells = _export_without(con, name, alias, work)
            if not cells and not (backups and copies):
                raise UsageError(
                    f'Nobody called "{name}" is in the store.', "Write it as in the logs, or give the alias."
                )
            read_back(work, fresh)
            copy = None if backups else copy_before(con, folder, "forget")
        put_in_place(fresh, folder / STORE_NAME)
    if backups:
        for one in copies:
            with only_for_now(work, fresh, wal_of(fresh)):
                _forget_in_copy(one, name, alias, work, fresh)
    told = [str(one) for one in copies] + ([copy["path"]] if copy else [])
    return {
        "alias": alias,
        "cells": cells,
        "backups": [] if backups else told,
        "backups_done": told if backups else [],
        "files": files_with(folder, {name, alias}, [folder / BACKUPS]),
    }


def _alias_in(con: duckdb.DuckDBPyConnection, name: str) -> str:
    key = find_key(con)
    return name if is_alias(name) or not key else alias_of(name, key)


def _export_without(con: duckdb.DuckDBPyConnection, name: str, alias: str, work: Path) -> int:
    """Write the store without the person to the folder ``work``; returns how many cells held them.

    The store stays as it was: a new one, made of this, takes its place at once, so that a kill leaves either. Besides, what
    is changed in place leaves bytes behind.
    """
    with transaction(con, keep=False):
        cells = _forget_in(con, name, alias)
        con.execute(f"EXPORT DATABASE {text(str(work))} (FORMAT parquet)")
    return cells


def _forget_in(con: duckdb.DuckDBPyConnection, name: str, alias: str) -> int:
    """Change every cell; returns how many."""
    row = con.execute("SELECT count(*) FROM person WHERE alias = ?", [alias]).fetchone()
    known = bool(row and row[0])
    whole = _pattern({alias, name})
    words = _pattern({alias, name} if is_alias(name) else {alias, name, *words_of(name)})
    con.execute("DELETE FROM person WHERE alias = ?", [alias])
    cells = sum(
        _forget_in_column(con, table, column, kind, words if column in FREE_TEXT else whole)
        for table, column, kind in _text_columns(con)
    )
    for table in ("stage_run", "stage_run_history"):  # several who are forgotten are not one person
        con.execute(f"UPDATE {table} SET operator = NULL WHERE operator = '{FORGOTTEN}'")
    return cells + known


def _pattern(words: set[str]) -> str:
    return "(?i)" + "|".join(rf"\b{re.escape(word)}\b" for word in sorted(words, key=len, reverse=True))


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


def _forget_in_copy(copy: Path, name: str, alias: str, work: Path, fresh: Path) -> None:
    """The same in a backup (a folder) or in a store that was replaced (a file), which is built anew too.

    The tables of a backup are replaced one by one: whenever that ends, it is whole, and can be made to forget again.
    """
    if copy.is_dir():
        read_back(copy, fresh)
    with duckdb.connect(str(fresh if copy.is_dir() else copy)) as con:
        _export_without(con, name, alias, work)
    if copy.is_dir():
        for table in sorted(work.glob("*.parquet")):
            os.replace(table, copy / table.name)
    else:
        read_back(work, fresh)
        os.replace(fresh, copy)
