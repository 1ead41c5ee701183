"""Changes of a stage that a person accepted as the new plan."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import duckdb


def accept_change(con: duckdb.DuckDBPyConnection, process: str, stage: str, since: str, note: str) -> None:
    """Keep an accepted change in the history."""
    now = datetime.now(UTC).replace(tzinfo=None)
    con.execute("INSERT INTO accepted_change VALUES (?, ?, ?, ?, ?)", [process, stage, since, now, note])


def find_accepted(con: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    """process, stage, since, accepted_at (the last log then known: alarms up to it are accepted), note."""
    rows = con.execute("SELECT process, stage, since, accepted_at, note FROM accepted_change ORDER BY accepted_at")
    names = ("process", "stage", "since", "accepted_at", "note")
    return [dict(zip(names, row, strict=True)) for row in rows.fetchall()]
