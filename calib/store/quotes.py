"""Quotes as they were given, to be shown again exactly and accepted; the builds that fulfil them, and when those were packed."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, cast

import duckdb

import calib
from calib.documents.promises import HeldIn, Order, StoredQuote
from calib.documents.quote import QuoteOption
from calib.errors import UsageError
from calib.spelling import close_to
from calib.store.ids import join_held

LOOK_DAYS = 2  # so long a look that has lapsed can still be accepted
_COLUMNS = (
    "quote_id", "quoted_at", "document", "accepted_option", "accepted_at", "due_at", "chance", "note", "order_id",
    "hurried", "stated_ready_at", "start_at",
)  # fmt: skip


def save_quote(con: duckdb.DuckDBPyConnection, given: Mapping[str, Any], kept: bool = False) -> str:
    """Store a quote's document; returns its id. kept : more than a look (see ``keep_quote``)."""
    document = dict(given)
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


def find_quotes(con: duckdb.DuckDBPyConnection, names: list[str] | None = None) -> list[StoredQuote]:
    """Quotes (those named, or all), oldest first."""
    where, values = ("", []) if names is None else ("WHERE list_contains(?, quote_id)", [names])
    rows = con.execute(f"SELECT {', '.join(_COLUMNS)} FROM quote {where} ORDER BY quote_id", values).fetchall()
    return [_record(row) for row in rows]


def find_quote(con: duckdb.DuckDBPyConnection, quote_id: str) -> StoredQuote:
    """One quote. Raises UsageError for an unknown id, with the nearest named."""
    wanted = quote_id.strip().upper()
    row = con.execute(f"SELECT {', '.join(_COLUMNS)} FROM quote WHERE quote_id = ?", [wanted]).fetchone()
    if row is not None:
        return _record(row)
    known = [name for (name,) in con.execute("SELECT quote_id FROM quote ORDER BY quote_id").fetchall()]
    if not known:
        raise UsageError(f'There is no quote "{quote_id}": none is stored yet.', "calib quote PART --qty N makes one.")
    near = close_to(wanted, known) or known[-1:]
    raise UsageError(f'There is no quote "{quote_id}".', f'The nearest is "{near[0]}"; calib quotes lists all.')


@dataclass(frozen=True)
class Acceptance:
    """What was agreed with a quote.

    option : number of the option; due_at, start_at : when it is promised and may begin, None: as quoted
    chance : that it is ready by then [0..1]; hurried : whether it goes before the others
    """

    option: int = 0
    due_at: datetime | None = None
    chance: float | None = None
    note: str | None = None
    order_id: str | None = None
    hurried: bool = False
    start_at: datetime | None = None


def accept_quote(con: duckdb.DuckDBPyConnection, quote_id: str, agreed: Acceptance) -> None:
    """Mark an option of a quote as accepted, with what was promised; one accepted before keeps its place in the queue.

    Raises UsageError for an unknown id.
    """
    name = find_quote(con, quote_id)["quote_id"]
    con.execute(
        "UPDATE quote SET accepted_option = ?, accepted_at = coalesce(accepted_at, ?), due_at = ?, chance = ?, note = ?, order_id = ?, "
        "hurried = ?, start_at = ?, kept_at = coalesce(kept_at, ?) WHERE quote_id = ?",
        [agreed.option, _now(), _utc(agreed.due_at), agreed.chance, agreed.note, agreed.order_id, agreed.hurried,
         _utc(agreed.start_at), _now(), name],
    )  # fmt: skip
    if agreed.order_id:
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


def _record(row: tuple[Any, ...]) -> StoredQuote:
    quote = dict(zip(_COLUMNS, row, strict=True))
    times = {name: value.replace(tzinfo=UTC) for name, value in quote.items() if isinstance(value, datetime)}
    return cast(StoredQuote, {**quote, **times, "document": json.loads(quote["document"])})


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


def promised_at(quote: StoredQuote) -> datetime:
    """What was promised: the time agreed, else the quote's own."""
    option = option_of(quote)
    return quote["due_at"] or datetime.fromisoformat(option.get("promised_at") or option["sure_at"])


def chance_of(quote: StoredQuote) -> float:
    """The chance that the promise was stated to have [0..1]."""
    stated = quote["chance"] if quote["due_at"] else option_of(quote).get("promise_chance")
    return float(quote["document"]["sure"] if stated is None else stated)


def start_of(quote: StoredQuote) -> datetime:
    """When its work may begin: the time agreed, else the start that it was quoted for."""
    return quote["start_at"] or datetime.fromisoformat(quote["document"]["start"])


def option_of(quote: StoredQuote) -> QuoteOption:
    """The accepted option, else the soonest."""
    options = quote["document"]["options"]
    return options[min(quote["accepted_option"] or 0, len(options) - 1)]


# What a build holds of a quote: its items say it best, else the whole build. Named by quote_id, or by the quote's order.
_LINKED = """
WITH held AS (
    SELECT row_number() OVER () AS row, * FROM (
        SELECT build_id, order_id, quote_id, qty AS parts, true AS is_item FROM item
        UNION ALL SELECT build_id, order_id, quote_id, parts, false FROM build)
), named AS (
    SELECT q.quote_id, h.row FROM quote q JOIN (SELECT row, unnest(string_split(quote_id, '+')) AS name FROM held) h
        ON h.name = q.quote_id
    UNION SELECT q.quote_id, h.row FROM quote q JOIN (SELECT row, unnest(string_split(order_id, '+')) AS name FROM held) h
        ON h.name = q.order_id
), linked AS (
    SELECT n.quote_id, h.build_id, coalesce(sum(h.parts) FILTER (h.is_item), max(h.parts)) AS parts,
           unnest(string_split(concat_ws('+', string_agg(h.order_id, '+'), any_value(q.order_id), ''), '+')) AS order_name
    FROM named n JOIN held h USING (row) JOIN quote q ON q.quote_id = n.quote_id
    GROUP BY n.quote_id, h.build_id
), packings AS (
    SELECT build_id, order_id, ended_at FROM stage_run
    WHERE list_contains(string_split(stage, '+'), 'packing') AND ended_at IS NOT NULL AND NOT held
          AND coalesce(outcome, 'done') = 'done'
), by_build AS (
    SELECT name, max(ended_at) AS at FROM (SELECT unnest(string_split(build_id, '+')) AS name, ended_at FROM packings)
    GROUP BY name
), by_order AS (
    SELECT name, max(ended_at) AS at FROM (SELECT unnest(string_split(order_id, '+')) AS name, ended_at FROM packings)
    GROUP BY name
)
SELECT l.quote_id, l.build_id, any_value(l.parts), greatest(max(b.at), max(o.at))
FROM linked l LEFT JOIN by_build b ON b.name = l.build_id LEFT JOIN by_order o ON o.name = l.order_name
GROUP BY l.quote_id, l.build_id ORDER BY l.quote_id, l.build_id
"""


def find_fulfilment(con: duckdb.DuckDBPyConnection) -> dict[str, list[HeldIn]]:
    """Builds of each quote that has any."""
    builds: dict[str, list[HeldIn]] = {}
    for quote_id, build_id, parts, packed_at in con.execute(_LINKED).fetchall():
        packed = packed_at.replace(tzinfo=UTC) if packed_at else None
        builds.setdefault(quote_id, []).append({"build_id": build_id, "parts": parts, "packed_at": packed})
    return builds


def find_orders(con: duckdb.DuckDBPyConnection, open_only: bool = False) -> list[Order]:
    """Quotes with the builds that fulfil them.

    Those that were kept, accepted or built; a look is none. A time that a person stated goes before the logs'.
    open_only : those that are accepted and not ready
    """
    fulfilled = find_fulfilment(con)
    quotes: list[Order] = []
    for quote in find_quotes(con, (_open_names if open_only else _taken_names)(con, fulfilled)):
        builds = fulfilled.get(quote["quote_id"], [])
        ready = quote["stated_ready_at"] or packed_in_full(builds, quote["document"]["quantity"])
        quotes.append({**quote, "builds": builds, "ready_at": ready})
    return quotes


def _taken_names(con: duckdb.DuckDBPyConnection, fulfilled: dict[str, list[HeldIn]]) -> list[str]:
    kept = con.execute("SELECT quote_id FROM quote WHERE kept_at IS NOT NULL OR accepted_at IS NOT NULL").fetchall()
    return [*(name for (name,) in kept), *fulfilled]


def _open_names(con: duckdb.DuckDBPyConnection, fulfilled: dict[str, list[HeldIn]]) -> list[str]:
    """Accepted quotes that are not ready, found without reading their long documents."""
    rows = con.execute(
        "SELECT quote_id, inputs FROM quote WHERE accepted_at IS NOT NULL AND stated_ready_at IS NULL"
    ).fetchall()
    asked = {name: json.loads(inputs)["quantity"] for name, inputs in rows}
    return [name for name, quantity in asked.items() if packed_in_full(fulfilled.get(name, []), quantity) is None]


def packed_in_full(builds: list[HeldIn], quantity: int) -> datetime | None:
    """When the last of so many parts was packed.

    >>> first, last = datetime(2026, 3, 1), datetime(2026, 3, 4)
    >>> packed_in_full([{"parts": 6, "packed_at": first}, {"parts": 4, "packed_at": last}], 10) == last
    True
    >>> packed_in_full([{"parts": 6, "packed_at": first}, {"parts": 4, "packed_at": None}], 10) is None
    True
    """
    done = sorted((build["packed_at"], build["parts"] or 0) for build in builds if build["packed_at"] is not None)
    parts = 0
    for packed_at, more in done:
        parts += more
        if parts >= quantity:
            return packed_at
    return None
