"""Changes of a stage that a person accepted as the new plan."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import duckdb

NAMES = ("process", "stage", "since", "change_pct", "accepted_at", "note", "known_until", "undone_at")


def accept_change(
    con: duckdb.DuckDBPyConnection,
    process: str,
    stage: str,
    since: str,
    change_pct: float,
    known_until: datetime,
    note: str,
) -> None:
    """Keep an accepted change in the history.

    known_until : the last logged end, UTC: what cried up to then is accepted
    """
    con.execute(
        f"INSERT INTO accepted_change ({', '.join(NAMES)}) VALUES (?, ?, ?, ?, ?, ?, ?, NULL)",
        [process, stage, since, change_pct, _now(), note, known_until.astimezone(UTC).replace(tzinfo=None)],
    )


def find_accepted(con: duckdb.DuckDBPyConnection, undone: bool = False) -> list[dict[str, Any]]:
    """Accepted changes in order of acceptance, as ``NAMES``, times UTC without offset; with ``undone`` those taken back too."""
    where = "" if undone else "WHERE undone_at IS NULL"
    rows = con.execute(f"SELECT {', '.join(NAMES)} FROM accepted_change {where} ORDER BY accepted_at")
    return [dict(zip(NAMES, row, strict=True)) for row in rows.fetchall()]


def undo_acceptance(con: duckdb.DuckDBPyConnection, process: str, stage: str) -> dict[str, Any] | None:
    """Take back the stage's last acceptance that stands; it stays in the history. None where there is none."""
    standing = [row for row in find_accepted(con) if (row["process"], row["stage"]) == (process, stage)]
    if not standing:
        return None
    con.execute(
        "UPDATE accepted_change SET undone_at = ? WHERE process = ? AND stage = ? AND accepted_at = ?",
        [_now(), process, stage, standing[-1]["accepted_at"]],
    )
    return standing[-1]


def _now() -> datetime:
    return datetime.now(UTC).replace(tzinfo=None)
