"""Runs as calibration learns from them, with the builds, pieces and events that the logs state beside them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import date, datetime

import duckdb
import numpy as np
import pandas as pd

from calib.calendar.clock import opening_times
from calib.calendar.local_time import to_utc
from calib.calendar.week import Hours
from calib.records import NEVER_ENDED
from calib.store.review import JUDGED, MARKED
from calib.store.tables import keyed

# A run without an end whose build went on since is lost: its end is no later than the next start, its minutes unknown.
_RUNS = f"""
WITH ids AS (
    SELECT unnest(string_split(build_id, '+')) AS build_id, started_at FROM stage_run
    WHERE started_at IS NOT NULL AND build_id IS NOT NULL
), nexts AS (
    SELECT s.id, min(i.started_at) AS next_start
    FROM (SELECT rowid AS id, unnest(string_split(build_id, '+')) AS build_id, started_at FROM stage_run
          WHERE ended_at IS NULL AND started_at IS NOT NULL AND work_min IS NULL AND build_id IS NOT NULL) s
    JOIN ids i ON i.build_id = s.build_id AND i.started_at > s.started_at GROUP BY s.id
), marks AS (
    SELECT s.id, string_agg(says, '; ' ORDER BY rule) FILTER (verdict IS NULL) AS review,
        bool_or(coalesce(verdict = 'wrong', false)) AS wrong, max(verdict_min) AS mended_min,
        max(effect_min) FILTER (rule = '{NEVER_ENDED}' AND verdict IN ('finished', 'failed')) AS usual_min,
        bool_or(coalesce(verdict = 'failed', false)) AS failed
    FROM review v JOIN {MARKED} s USING (row_key) WHERE coalesce(v.judged, {JUDGED}) = {JUDGED} GROUP BY s.id
)
SELECT s.row_key AS run_key, coalesce(string_split(s.build_id, '+'), []) AS build_ids, s.order_id, s.stage,
    coalesce(s.started_at, s.ended_at - to_microseconds((6e7 * s.work_min)::BIGINT)) AS started_at,
    coalesce(s.started_at + to_microseconds((6e7 * (m.mended_min + coalesce(s.paused_min, 0)))::BIGINT),
             s.ended_at, s.started_at + to_microseconds((6e7 * (s.work_min + coalesce(s.paused_min, 0)))::BIGINT),
             n.next_start, s.started_at + to_microseconds((6e7 * m.usual_min)::BIGINT)) AS ended_at,
    CASE WHEN m.mended_min IS NOT NULL THEN m.mended_min WHEN s.started_at IS NOT NULL AND s.ended_at IS NOT NULL
         THEN greatest(epoch(s.ended_at - s.started_at) / 60 - coalesce(s.paused_min, 0) - coalesce(s.closed_min, 0), 0)
         ELSE s.work_min END AS work_min,
    s.station, s.operator, s.crew_size, s.touch_min, s.parts, s.parts_good, CASE WHEN m.failed THEN 'failed' ELSE coalesce(s.outcome, 'done') END AS outcome,
    coalesce(s.attempt, 1) AS attempt, s.ended_by,
    coalesce(s.outcome, 'done') IN ('stopped', 'failed') OR coalesce(m.failed, false) AS censored,
    CASE WHEN s.ended_at IS NOT NULL OR s.work_min IS NOT NULL THEN 'done' WHEN n.next_start IS NOT NULL OR m.usual_min IS NOT NULL THEN 'lost'
         ELSE 'running' END AS state,
    m.review, s.date, f.name AS source_file, s.line, c.imported_at
FROM {keyed("stages")} s LEFT JOIN nexts n ON n.id = s.id LEFT JOIN marks m ON m.id = s.id
LEFT JOIN log_file f ON f.file_id = s.file_id LEFT JOIN log_import c ON c.import_id = f.import_id
WHERE NOT s.held AND NOT coalesce(m.wrong, false)
"""


def find_runs(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Current stage rows that are not held and that no person called wrong, in order of their end.

    build_ids : list, empty where only an order is named
    started_at, ended_at : UTC, with zone; a run of which only the day is known ends with that day, and has no start
    work_min : end less start less pauses, less closed hours by the rule of docs/interface.md; NaN where no end is known; where a
        person said what it took, that, and ``ended_at`` accordingly [min]
    low_min : for ends that were ``found``: minutes up to the last look, which is the last closing time before the end, or
        0 where nothing says that anybody looked; NaN for others [min]
    censored : it lasted at least ``work_min``: stopped or failed
    state : 'done', 'running' or 'lost' (``ended_at`` is the next start of its build then, or when it usually ends where a
        person says that it has; and there are no minutes)
    review : marks without a verdict, joined by '; '
    imported_at : when the row came in, UTC without zone
    """
    frame = con.execute(_RUNS).df()
    for name in ("started_at", "ended_at"):
        frame[name] = pd.to_datetime(frame[name], utc=True)
    _place_day_notes(con, frame)
    frame["low_min"] = _low_minutes(con, frame)
    frame = frame.drop(columns="date").astype({name: object for name in frame.columns if frame[name].dtype == "str"})
    return frame.sort_values(["ended_at", "run_key"], kind="stable").reset_index(drop=True)


def _stated_hours(con: duckdb.DuckDBPyConnection) -> tuple[str, Hours | None, list[date]]:
    """Zone, hours and closures as the last import had them."""
    row = con.execute("SELECT value FROM setting WHERE name = 'hours'").fetchone()
    zone, hours, closures = json.loads(row[0]) if row else ("UTC", None, [])
    return zone, hours, [date.fromisoformat(day) for day in closures]


def _place_day_notes(con: duckdb.DuckDBPyConnection, frame: pd.DataFrame) -> None:
    rows = frame.index[frame["ended_at"].isna() & frame["date"].notna()]
    if len(rows):
        zone = _stated_hours(con)[0]
        ends = [to_utc(datetime(day.year, day.month, day.day, 23, 59), zone) for day in frame.loc[rows, "date"]]
        frame.loc[rows, "ended_at"] = pd.to_datetime(ends, utc=True)


def _low_minutes(con: duckdb.DuckDBPyConnection, frame: pd.DataFrame) -> pd.Series:
    """Minutes from the start to the last closing time before a found end."""
    low = pd.Series(np.nan, index=frame.index)
    rows = frame.index[(frame["ended_by"] == "found") & frame["started_at"].notna() & frame["work_min"].notna()]
    if not len(rows):
        return low
    low[rows] = 0.0
    zone, hours, closures = _stated_hours(con)
    if hours is None:
        return low
    starts, ends = (
        frame.loc[rows, name].dt.tz_localize(None).to_numpy("datetime64[us]") for name in ("started_at", "ended_at")
    )
    spans = opening_times(starts.min().item(), ends.max().item(), zone, hours, closures)
    closings = np.array([closing for _, closing in spans], "datetime64[us]")
    last_look = np.searchsorted(closings, ends, side="left") - 1
    looked = np.where(last_look >= 0, closings[np.maximum(last_look, 0)], starts)
    low[rows] = np.clip((looked - starts) / np.timedelta64(1, "m"), 0.0, frame.loc[rows, "work_min"].to_numpy())
    return low


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


def find_places(con: duckdb.DuckDBPyConnection, run_keys: Iterable[str]) -> dict[str, tuple[str, int]]:
    """File name and line of each run that is still in the store, by its key."""
    rows = con.execute(
        f"SELECT s.row_key, f.name, s.line FROM {keyed('stages')} s JOIN log_file f ON f.file_id = s.file_id "
        "WHERE s.row_key IN (SELECT unnest(?::VARCHAR[]))",
        [list(run_keys)],
    ).fetchall()
    return {key: (name, line) for key, name, line in rows}


def find_events(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """at (UTC), machine, station, what, note; oldest first."""
    frame = con.execute('SELECT "at", machine, station, what, note FROM event ORDER BY "at"').df()
    frame["at"] = pd.to_datetime(frame["at"], utc=True)
    return frame
