"""Which logged builds fulfil which quote, and when its parts were packed."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import duckdb

from calib.store.quotes import find_quotes

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


def find_fulfilment(con: duckdb.DuckDBPyConnection) -> dict[str, list[dict[str, Any]]]:
    """Builds of each quote that has any: build_id, parts, packed_at (aware, or None)."""
    found: dict[str, list[dict[str, Any]]] = {}
    for quote_id, build_id, parts, packed_at in con.execute(_LINKED).fetchall():
        packed = packed_at.replace(tzinfo=UTC) if packed_at else None
        found.setdefault(quote_id, []).append({"build_id": build_id, "parts": parts, "packed_at": packed})
    return found


def find_orders(con: duckdb.DuckDBPyConnection, open_only: bool = False) -> list[dict[str, Any]]:
    """Quotes with ``builds`` that fulfil them and ``ready_at``: when as many parts as quoted were packed, or None.

    Those that were kept, accepted or built; a look is none. A time that a person stated goes before the logs'.
    open_only : those that are accepted and not ready
    """
    fulfilled = find_fulfilment(con)
    quotes = []
    for quote in find_quotes(con, (_open_names if open_only else _taken_names)(con, fulfilled)):
        builds = fulfilled.get(quote["quote_id"], [])
        ready = quote["stated_ready_at"] or packed_in_full(builds, quote["document"]["quantity"])
        quotes.append({**quote, "builds": builds, "ready_at": ready})
    return quotes


def _taken_names(con: duckdb.DuckDBPyConnection, fulfilled: dict[str, list[dict[str, Any]]]) -> list[str]:
    kept = con.execute("SELECT quote_id FROM quote WHERE kept_at IS NOT NULL OR accepted_at IS NOT NULL").fetchall()
    return [*(name for (name,) in kept), *fulfilled]


def _open_names(con: duckdb.DuckDBPyConnection, fulfilled: dict[str, list[dict[str, Any]]]) -> list[str]:
    """Accepted quotes that are not ready, told without reading their long documents."""
    rows = con.execute(
        "SELECT quote_id, inputs FROM quote WHERE accepted_at IS NOT NULL AND stated_ready_at IS NULL"
    ).fetchall()
    asked = {name: json.loads(inputs)["quantity"] for name, inputs in rows}
    return [name for name, quantity in asked.items() if packed_in_full(fulfilled.get(name, []), quantity) is None]


def packed_in_full(builds: list[dict[str, Any]], quantity: int) -> datetime | None:
    """When the last of so many parts was packed.

    >>> first, last = datetime(2026, 3, 1), datetime(2026, 3, 4)
    >>> packed_in_full([{"parts": 6, "packed_at": first}, {"parts": 4, "packed_at": last}], 10) == last
    True
    >>> packed_in_full([{"parts": 6, "packed_at": first}, {"parts": 4, "packed_at": None}], 10) is None
    True
    """
    done = sorted((one["packed_at"], one["parts"]) for one in builds if one["packed_at"] is not None)
    parts = 0
    for packed_at, more in done:
        parts += more or 0
        if parts >= quantity:
            return packed_at
    return None
