"""Which logged builds fulfil which quote, and when its parts were packed."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import duckdb

from calib.store.quotes import find_quotes, promised_at

# What a build holds of a quote: its items say it best, else the whole build. Named by quote_id, or by the quote's order.
_LINKED = """
WITH named AS (
    SELECT build_id, order_id, quote_id, qty AS parts, true AS is_item FROM item
    UNION ALL SELECT build_id, order_id, quote_id, parts, false FROM build
), linked AS (
    SELECT q.quote_id, n.build_id, coalesce(sum(n.parts) FILTER (n.is_item), max(n.parts)) AS parts,
           list(DISTINCT n.order_id) FILTER (n.order_id IS NOT NULL) AS orders
    FROM quote q JOIN named n ON list_contains(string_split(n.quote_id, '+'), q.quote_id)
                              OR list_contains(string_split(n.order_id, '+'), q.order_id)
    GROUP BY q.quote_id, n.build_id
), packed AS (
    SELECT string_split(build_id, '+') AS builds, string_split(order_id, '+') AS orders, ended_at FROM stage_run
    WHERE list_contains(string_split(stage, '+'), 'packing') AND ended_at IS NOT NULL AND NOT held
          AND coalesce(outcome, 'done') = 'done'
)
SELECT l.quote_id, l.build_id, l.parts,
       (SELECT max(p.ended_at) FROM packed p
        WHERE list_contains(p.builds, l.build_id) OR list_has_any(p.orders, l.orders)) AS packed_at
FROM linked l ORDER BY l.quote_id, l.build_id
"""


def find_fulfilment(con: duckdb.DuckDBPyConnection) -> dict[str, list[dict[str, Any]]]:
    """Builds of each quote that has any: build_id, parts, packed_at (aware, or None)."""
    found: dict[str, list[dict[str, Any]]] = {}
    for quote_id, build_id, parts, packed_at in con.execute(_LINKED).fetchall():
        packed = packed_at.replace(tzinfo=UTC) if packed_at else None
        found.setdefault(quote_id, []).append({"build_id": build_id, "parts": parts, "packed_at": packed})
    return found


def find_orders(con: duckdb.DuckDBPyConnection, accepted_only: bool = False) -> list[dict[str, Any]]:
    """Quotes with ``builds`` that fulfil them and ``ready_at``: when as many parts as quoted were packed, or None.

    A time that a person stated goes before the logs'.
    """
    fulfilled = find_fulfilment(con)
    quotes = []
    for quote in find_quotes(con, accepted_only):
        builds = fulfilled.get(quote["quote_id"], [])
        ready = quote["stated_ready_at"] or packed_in_full(builds, quote["document"]["quantity"])
        quotes.append({**quote, "builds": builds, "ready_at": ready})
    return quotes


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


def find_kept_promises(con: duckdb.DuckDBPyConnection) -> dict[str, Any] | None:
    """How many quotes whose parts are packed were ready in time, in one line; None where there are none."""
    done = [one for one in find_orders(con) if one["ready_at"] is not None]
    if not done:
        return None
    held = sum(one["ready_at"] <= promised_at(one) for one in done)
    return {"quotes": None, "held": None, "on_time": None, "lines": [f"Promises held: {held} of {len(done)}."]}
