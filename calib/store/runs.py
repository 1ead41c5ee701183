"""Runs of stages as calibration learns from them: minutes, censoring, and what was worked on."""

from __future__ import annotations

import duckdb
import pandas as pd

LEAST_SHARE_WHEN_FOUND = 0.05  # nobody wrote when they last looked: the true end is anywhere in between

_QUERY = f"""
WITH marked AS (
    SELECT r.*, f.name AS source_file,
        CASE WHEN started_at IS NOT NULL AND ended_at IS NOT NULL
             THEN greatest(date_diff('second', started_at, ended_at) / 60.0 - coalesce(paused_min, 0) - coalesce(closed_min, 0), 0)
             ELSE work_min END AS minutes,
        max(started_at) OVER (PARTITION BY coalesce(r.build_id, r.order_id)) AS last_start
    FROM stage_run r LEFT JOIN log_file f USING (file_id) WHERE NOT held)
SELECT row_key AS run_key, coalesce(string_split(build_id, '+'), []) AS build_ids, order_id, stage,
    started_at AT TIME ZONE 'UTC' AS started_at,
    coalesce(ended_at, date + INTERVAL 17 HOUR, CASE WHEN minutes IS NOT NULL THEN started_at
        WHEN last_start > started_at THEN started_at END) AT TIME ZONE 'UTC' AS ended_at,
    minutes AS work_min, CASE WHEN ended_by = 'found' THEN {LEAST_SHARE_WHEN_FOUND} * minutes END AS low_min,
    station, operator, crew_size, touch_min, parts, parts_good, coalesce(outcome, 'done') AS outcome,
    coalesce(attempt, 1) AS attempt, ended_by,
    coalesce(outcome, 'done') IN ('stopped', 'failed') AS censored,
    v.says AS review, source_file, line
FROM marked LEFT JOIN review v ON v.row_key = marked.row_key AND v.verdict IS NULL
ORDER BY ended_at, run_key
"""


def find_runs(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """One row for each run whose build is known; times in UTC. A run without an end whose build went on since has
    neither minutes nor a usable end: it is counted as lost, never learned from.
    """
    frame = con.execute(
        _QUERY.replace("marked.row_key", "marked.row_key").replace("SELECT row_key AS", "SELECT marked.row_key AS")
    ).df()
    for name in ("started_at", "ended_at"):
        frame[name] = pd.to_datetime(frame[name], utc=True)
    return frame.astype({name: object for name in frame.columns if frame[name].dtype == "str"})
