"""Builds as the logs state them."""

from __future__ import annotations

import duckdb
import pandas as pd

_PACKED = """(list_contains(string_split(stage, '+'), 'packing') AND coalesce(outcome, 'done') = 'done'
    AND (ended_at IS NOT NULL OR work_min IS NOT NULL))"""
_QUERY = f"""
WITH printed AS (
    SELECT unnest(string_split(build_id, '+')) AS build_id, bool_or(stage = 'printing' AND ended_at IS NOT NULL) AS done,
           bool_or(ended_at IS NOT NULL OR work_min IS NOT NULL OR started_at IS NOT NULL) AS begun,
           bool_or({_PACKED}) AS packed
    FROM stage_run WHERE build_id IS NOT NULL AND NOT held AND coalesce(outcome, 'done') NOT IN ('void', 'skipped')
    GROUP BY 1),
     packed_order AS (SELECT DISTINCT unnest(string_split(order_id, '+')) AS order_id FROM stage_run
                      WHERE build_id IS NULL AND NOT held AND {_PACKED}),
     ordered AS (SELECT build_id, string_agg(DISTINCT order_id, '+' ORDER BY order_id) AS orders FROM item GROUP BY build_id)
SELECT b.* EXCLUDE (row_key, file_id, line, raw_hash, extra, order_id), coalesce(b.order_id, o.orders) AS order_id,
       CASE WHEN p.packed OR (p.begun AND coalesce(b.order_id, o.orders) IN (FROM packed_order)) THEN 'finished'
            WHEN p.done THEN 'printed' WHEN p.begun THEN 'running' WHEN coalesce(b.planned, false) THEN 'planned'
            ELSE 'logged' END AS status
FROM build b LEFT JOIN printed p USING (build_id) LEFT JOIN ordered o USING (build_id) ORDER BY b.build_id
"""


def find_builds(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The ``builds`` columns (docs/interface.md), one row for each build, and status: planned, running, printed, finished (packed) or
    logged (nothing is known of its work)."""
    frame = con.execute(_QUERY).df()
    return frame.astype({name: object for name in frame.columns if frame[name].dtype == "str"})
