"""Quotes as they were given, to be shown again exactly, accepted, and scored when their builds' logs come."""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

import duckdb

import calib
from calib.errors import UsageError
from calib.store.ids import join_held

LOOK_DAYS = 2  # so long a look that has lapsed can still be accepted
_COLUMNS = (
    "quote_id", "quoted_at", "document", "accepted_option", "accepted_at", "due_at", "chance", "note", "order_id",
    "hurried", "stated_ready_at", "start_at",
)  # fmt: skip


def save_quote(con: duckdb.DuckDBPyConnection, document: dict[str, Any], kept: bool = False) -> str:
    """Store a quote's document; returns its id. kept : more than a look (see ``keep_quote``)."""
    row = con.execute("SELECT coalesce(max(substr(quote_id, 2)::BIGINT), 0) + 1 FROM quote").fetchone()
    name = f"Q{int(row[0]) if row else 1:05d}"
    fit = con.execute("SELECT max(fit_id) FROM fit").fetchone()
    con.execute(
        "INSERT INTO quote (quote_id, quoted_at, document, inputs, fit_id, valid_until) VALUES (?, ?, ?, ?, ?, ?)",
        [
            name,
            _now(),
            _text(document | {"quote_id": name}),
            _text(_inputs(document)),
            fit[0] if fit else None,
            document.get("valid_until"),
        ],
    )
    if kept:
        keep_quote(con, name)
    return name


def keep_quote(con: duckdb.DuckDBPyConnection, quote_id: str) -> None:
    """Keep a look as a quote: it is listed, and scored when its parts are packed."""
    con.execute("UPDATE quote SET kept_at = coalesce(kept_at, ?) WHERE quote_id = ?", [_now(), quote_id])


def forget_looks(con: duckdb.DuckDBPyConnection, built: Iterable[str]) -> None:
    """Take off looks that lapsed LOOK_DAYS ago, but the last: its number is not given again. built : ids with builds"""
    old = (datetime.now(UTC) - timedelta(days=LOOK_DAYS)).date()
    con.execute(
        "DELETE FROM quote WHERE kept_at IS NULL AND accepted_at IS NULL AND valid_until < ? AND quoted_at < ? "
        "AND quote_id <> (SELECT arg_max(quote_id, substr(quote_id, 2)::BIGINT) FROM quote) AND NOT list_contains(?::VARCHAR[], quote_id)",
        [old, old, list(built)],
    )


def count_looks(con: duckdb.DuckDBPyConnection, built: Iterable[str]) -> int:
    """Answers that nobody kept, accepted or built."""
    row = con.execute(
        "SELECT count(*) FROM quote WHERE kept_at IS NULL AND accepted_at IS NULL "
        "AND NOT list_contains(?::VARCHAR[], quote_id)",
        [list(built)],
    ).fetchone()
    return int(row[0]) if row else 0


def find_quotes(con: duckdb.DuckDBPyConnection, names: list[str] | None = None) -> list[dict[str, Any]]:
    """Quotes (those named, or all), oldest first: the table's columns, ``document`` as data, times aware in UTC."""
    where, values = ("", []) if names is None else ("WHERE list_contains(?, quote_id)", [names])
    rows = con.execute(f"SELECT {', '.join(_COLUMNS)} FROM quote {where} ORDER BY quote_id", values).fetchall()
    return [_record(row) for row in rows]


def find_quote(con: duckdb.DuckDBPyConnection, quote_id: str) -> dict[str, Any]:
    """One quote. Raises UsageError for an unknown id, with the nearest named."""
    wanted = quote_id.strip().upper()
    row = con.execute(f"SELECT {', '.join(_COLUMNS)} FROM quote WHERE quote_id = ?", [wanted]).fetchone()
    if row is not None:
        return _record(row)
    known = [name for (name,) in con.execute("SELECT quote_id FROM quote ORDER BY quote_id").fetchall()]
    if not known:
        raise UsageError(f'There is no quote "{quote_id}": none is stored yet.', "calib quote PART --qty N makes one.")
    near = difflib.get_close_matches(wanted, known, 1) or known[-1:]
    raise UsageError(f'There is no quote "{quote_id}".', f'The nearest is "{near[0]}"; calib quotes lists all.')


def accept_quote(
    con: duckdb.DuckDBPyConnection,
    quote_id: str,
    option: int = 0,
    due_at: datetime | None = None,
    chance: float | None = None,
    note: str | None = None,
    order_id: str | None = None,
    hurried: bool = False,
    start_at: datetime | None = None,
) -> None:
    """Mark an option of a quote as accepted, with what was promised; one accepted before keeps its place in the queue.

    Raises UsageError for an unknown id.
    """
    name = find_quote(con, quote_id)["quote_id"]
    con.execute(
        "UPDATE quote SET accepted_option = ?, accepted_at = coalesce(accepted_at, ?), due_at = ?, chance = ?, note = ?, order_id = ?, "
        "hurried = ?, start_at = ?, kept_at = coalesce(kept_at, ?) WHERE quote_id = ?",
        [option, _now(), _utc(due_at), chance, note, order_id, hurried, _utc(start_at), _now(), name],
    )
    if order_id:
        join_held(con)  # runs of the order may have been logged before


def withdraw_quote(con: duckdb.DuckDBPyConnection, quote_id: str) -> None:
    """Undo the acceptance of a quote; the quote itself stays."""
    con.execute(
        "UPDATE quote SET accepted_option = NULL, accepted_at = NULL, due_at = NULL, chance = NULL, note = NULL, "
        "order_id = NULL, hurried = NULL, stated_ready_at = NULL, start_at = NULL WHERE quote_id = ?",
        [find_quote(con, quote_id)["quote_id"]],
    )


def state_ready(con: duckdb.DuckDBPyConnection, quote_id: str, ready_at: datetime) -> None:
    """Keep when a person says that the parts were ready."""
    con.execute("UPDATE quote SET stated_ready_at = ? WHERE quote_id = ?", [_utc(ready_at), quote_id])


def _record(row: tuple[Any, ...]) -> dict[str, Any]:
    found = dict(zip(_COLUMNS, row, strict=True))
    times = {name: value.replace(tzinfo=UTC) for name, value in found.items() if isinstance(value, datetime)}
    return {**found, **times, "document": json.loads(found["document"])}


def _inputs(document: dict[str, Any]) -> dict[str, Any]:
    names = ("part", "quantity", "start", "due", "sure", "seed", "draws", "level", "as_of")
    return {"version": calib.__version__, **{name: document.get(name) for name in names}}


def _now() -> datetime:
    return datetime.now(UTC).replace(tzinfo=None)


def _utc(when: datetime | None) -> datetime | None:
    return None if when is None else when.astimezone(UTC).replace(tzinfo=None)


def _text(document: dict[str, Any]) -> str:
    return json.dumps(_plain(document), ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    """As the command prints it: numbers that are none become null, arrays lists, the rest text."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, bool | int | str) else str(value)


def promised_at(quote: dict[str, Any]) -> datetime:
    """What was promised: the time agreed, else the quote's own."""
    option = option_of(quote)
    return quote["due_at"] or datetime.fromisoformat(option.get("promised_at") or option["sure_at"])


def chance_of(quote: dict[str, Any]) -> float:
    """The chance that the promise was said to have [0..1]."""
    stated = quote["chance"] if quote["due_at"] else option_of(quote).get("promise_chance")
    return float(quote["document"]["sure"] if stated is None else stated)


def start_of(quote: dict[str, Any]) -> datetime:
    """When its work may begin: the time agreed, else the start that it was quoted for."""
    return quote["start_at"] or datetime.fromisoformat(quote["document"]["start"])


def option_of(quote: dict[str, Any]) -> dict[str, Any]:
    """The accepted option, else the soonest."""
    options = quote["document"]["options"]
    return options[min(quote["accepted_option"] or 0, len(options) - 1)]
