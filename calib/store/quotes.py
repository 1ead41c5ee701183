"""Quotes as they were given, to be shown again exactly and scored when their builds' logs come."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import duckdb
import numpy as np

from calib.errors import UsageError


def save_quote(con: duckdb.DuckDBPyConnection, document: dict[str, Any]) -> str:
    """Store a quote's document; returns its id."""
    row = con.execute("SELECT count(*) + 1 FROM quote").fetchone()
    name = f"Q{int(row[0]) if row else 1:05d}"
    fit = con.execute("SELECT max(fit_id) FROM fit").fetchone()
    con.execute(
        "INSERT INTO quote VALUES (?, ?, ?, ?, ?, NULL, NULL, NULL)",
        [name, datetime.now(UTC).replace(tzinfo=None), _text(document | {"quote_id": name}), _text(_inputs(document)),
         fit[0] if fit else None],
    )  # fmt: skip
    return name


def find_quotes(con: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    """All quotes, oldest first: quote_id, document, accepted_option."""
    rows = con.execute("SELECT quote_id, document, accepted_option FROM quote ORDER BY quote_id").fetchall()
    return [{"quote_id": row[0], "document": json.loads(row[1]), "accepted_option": row[2]} for row in rows]


def accept_quote(con: duckdb.DuckDBPyConnection, quote_id: str, option: int = 0) -> None:
    """Mark an option of a quote as accepted. Raises UsageError for an unknown id."""
    if not con.execute("SELECT 1 FROM quote WHERE quote_id = ?", [quote_id]).fetchone():
        raise UsageError(f'There is no quote "{quote_id}".', "Quotes are numbered Q00001, Q00002 ...")
    con.execute(
        "UPDATE quote SET accepted_option = ?, accepted_at = ? WHERE quote_id = ?",
        [option, datetime.now(UTC).replace(tzinfo=None), quote_id],
    )


def find_kept_promises(con: duckdb.DuckDBPyConnection) -> dict[str, Any] | None:
    """Quotes whose builds are packed by now: how many ended inside their 80 % range; None where there are none."""
    rows = con.execute(
        "SELECT q.document, q.accepted_option, max(r.ended_at) FROM quote q JOIN build b ON b.quote_id = q.quote_id "
        "JOIN stage_run r ON r.build_id = b.build_id WHERE r.stage = 'packing' AND r.ended_at IS NOT NULL "
        "GROUP BY q.quote_id, q.document, q.accepted_option"
    ).fetchall()
    held = [_inside(json.loads(document), option or 0, end) for document, option, end in rows]
    if not held:
        return None
    told = [f"Promises held: {sum(held)} of {len(held)}."]
    return {"quotes": len(held), "held": float(np.mean(held)), "on_time": None, "lines": told}


def _inside(document: dict[str, Any], option: int, end: datetime) -> bool:
    span = document["options"][min(option, len(document["options"]) - 1)]["ready_at"]
    at = end.replace(tzinfo=UTC)
    return datetime.fromisoformat(span["p10"]) <= at <= datetime.fromisoformat(span["p90"])


def _inputs(document: dict[str, Any]) -> dict[str, Any]:
    return {key: document.get(key) for key in ("part", "quantity", "start", "due", "seed", "level", "as_of")}


def _text(document: dict[str, Any]) -> str:
    return json.dumps(document, default=lambda value: value.tolist() if hasattr(value, "tolist") else str(value))
