"""Pieces and good ones, as the logs count them."""

from __future__ import annotations

import duckdb

# One count for each build: its items where they say it, else the last stage that counted.
_YIELDS = """
WITH items AS (
    SELECT build_id, sum(qty) AS pieces, sum(qty_good) AS good FROM item WHERE qty_good IS NOT NULL GROUP BY build_id
), counts AS (
    SELECT build_id, max(coalesce(parts, 0)) AS parts,
           min(parts_good) AS good
    FROM stage_run WHERE parts_good IS NOT NULL AND build_id IS NOT NULL AND NOT held GROUP BY build_id
), each_build AS (
    SELECT b.process, coalesce(i.pieces, nullif(c.parts, 0), b.parts) AS pieces, coalesce(i.good, c.good) AS good
    FROM build b LEFT JOIN items i USING (build_id) LEFT JOIN counts c USING (build_id)
    WHERE coalesce(i.good, c.good) IS NOT NULL
)
SELECT process, sum(pieces)::BIGINT, sum(least(good, pieces))::BIGINT FROM each_build GROUP BY process
"""


def find_yields(con: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, int]]:
    """Pieces counted and good ones, for each process."""
    return {process: (pieces, good) for process, pieces, good in con.execute(_YIELDS).fetchall()}
