"""The last import taken back: what it brought goes, what it replaced returns, what it joined waits again."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import duckdb

from calib.documents.logs import UndoDocument
from calib.errors import UsageError
from calib.logs.columns import KINDS
from calib.store.ids import hold_again
from calib.store.review import RULES, STANDING, TAKEN_BACK
from calib.store.tables import KEY, TABLE_OF, stored_names
from calib.store.transaction import transaction


def undo_last(con: duckdb.DuckDBPyConnection, dry_run: bool = False) -> UndoDocument:
    """Take back the last call of the import, as if it had not been, in one transaction.

    dry_run : say what would go, change nothing
    Raises UsageError where nothing was imported.
    """
    call = con.execute(
        "SELECT import_id, imported_at FROM log_import WHERE taken_back_at IS NULL ORDER BY import_id DESC LIMIT 1"
    ).fetchone()
    if call is None:
        raise UsageError("Nothing was imported yet.", "There is nothing to take back.")
    with transaction(con, keep=not dry_run):
        return _take_back(con, call[0], call[1], dry_run)


def _take_back(con: duckdb.DuckDBPyConnection, call: int, imported_at: datetime, dry_run: bool) -> UndoDocument:
    con.execute("CREATE OR REPLACE TEMP TABLE gone AS SELECT file_id, name FROM log_file WHERE import_id = ?", [call])
    files = [name for (name,) in con.execute("SELECT name FROM gone ORDER BY file_id").fetchall()]
    taken, put_back = 0, 0
    for kind in KINDS:
        out, back = _rows_back(con, kind)
        taken, put_back = taken + out, put_back + back
    set_aside = _count(con, "DELETE FROM quarantine WHERE file_id IN (SELECT file_id FROM gone) RETURNING reject_id")
    opened = _count(
        con,
        "UPDATE quarantine SET state = 'open', closed_by = NULL WHERE closed_by IN (SELECT file_id FROM gone) RETURNING reject_id",
    )
    questions = _questions_back(con, call)
    con.execute(
        "UPDATE log_import SET taken_back_at = (now() AT TIME ZONE 'UTC')::TIMESTAMP WHERE import_id = ?", [call]
    )
    hold_again(con)
    return {
        "imported_at": imported_at,
        "files": files,
        "rows_taken_out": taken,
        "rows_put_back": put_back,
        "rejects_taken_out": set_aside,
        "rejects_opened": opened,
        "questions_taken_out": questions,
        "dry_run": dry_run,
    }


def _questions_back(con: duckdb.DuckDBPyConnection, call: int) -> int:
    """Open questions since the import are asked no more; how many.

    What an import asks it asks anew when it comes again. What the fit asked of a row that goes rests until the row is back.
    """
    since = (
        f"FROM review WHERE verdict IS NULL AND coalesce(judged, '') <> '{TAKEN_BACK}' "
        "AND marked_at >= (SELECT imported_at FROM log_import WHERE import_id = ?)"
    )
    questions = _count(con, f"SELECT mark_id {since}", [call])
    con.execute(
        f"UPDATE review SET judged = '{TAKEN_BACK}' WHERE mark_id IN (SELECT mark_id {since}) "
        f"AND (rule IN ({', '.join(map(repr, RULES))}) OR mark_id IN (SELECT v.mark_id {STANDING}))",
        [call],
    )
    return questions


def _rows_back(con: duckdb.DuckDBPyConnection, kind: str) -> tuple[int, int]:
    """Rows of one kind: those that came go, those that they replaced return; how many of each."""
    table = TABLE_OF[kind]
    names = stored_names(kind)
    came, replaced = "file_id IN (SELECT file_id FROM gone)", "replaced_by IN (SELECT file_id FROM gone)"
    out = _count(con, f"DELETE FROM {table} WHERE {came} RETURNING {KEY[kind]}")
    back = _count(
        con,
        f"INSERT INTO {table} ({names}) SELECT {names} FROM {table}_history WHERE {replaced} AND NOT {came} RETURNING {KEY[kind]}",
    )
    con.execute(f"DELETE FROM {table}_history WHERE {replaced}")
    return out, back


def _count(con: duckdb.DuckDBPyConnection, sql: str, values: Sequence[Any] = ()) -> int:
    return len(set(con.execute(sql, list(values)).fetchall()))
