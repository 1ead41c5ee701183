"""Closed hours within a person's run: taken off where it starts in opening hours and ends after a later opening."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date, datetime
from itertools import pairwise

import duckdb

from calib.calendar.clock import opening_times
from calib.calendar.week import Hours
from calib.records import STAGES
from calib.store.settings import find_setting, save_setting

HOURS = "hours"  # the setting that holds what was counted by


def count_closed(con: duckdb.DuckDBPyConnection, zone: str, hours: Hours | None, closures: Sequence[date]) -> None:
    """Fill ``closed_min`` of runs that have none; of all runs when the hours are others than at the last import."""
    stated = json.dumps([zone, hours, sorted(map(str, closures))])
    if find_setting(con, HOURS) != stated:
        save_setting(con, HOURS, stated)
        con.execute("UPDATE stage_run SET closed_min = NULL WHERE closed_min IS NOT NULL")
        con.execute(
            "CREATE OR REPLACE TEMP TABLE open_span (open_from TIMESTAMP, open_to TIMESTAMP, before_min DOUBLE)"
        )
    if hours is None:
        return
    ends = con.execute(f"SELECT min(started_at), max(ended_at) FROM stage_run WHERE {_countable()}").fetchone()
    if not ends or ends[0] is None:
        return
    spans = opening_times(ends[0], ends[1], zone, hours, closures)
    if len(spans) < 2:
        return
    shortest = min((b[0] - a[1]).total_seconds() for a, b in pairwise(spans))
    _store_spans(con, spans)
    con.execute(_CLOSED.format(countable=_countable(), shortest=shortest))


def _countable() -> str:
    """Runs by hand of which nothing was counted yet; a row over several stages is one if all of them are."""
    by_machine = ", ".join(f"'{name}'" for name, stage in STAGES.items() if stage.hands in ("none", "ends"))
    return (
        "closed_min IS NULL AND started_at IS NOT NULL AND ended_at IS NOT NULL "
        f"AND stage NOT IN ({by_machine}) AND NOT list_has_any(string_split(stage, '+'), [{by_machine}])"
    )


def _store_spans(con: duckdb.DuckDBPyConnection, spans: list[tuple[datetime, datetime]]) -> None:
    con.execute("CREATE OR REPLACE TEMP TABLE open_span (open_from TIMESTAMP, open_to TIMESTAMP, before_min DOUBLE)")
    con.execute(
        "INSERT INTO open_span SELECT unnest(?::TIMESTAMP[]), unnest(?::TIMESTAMP[]), 0",
        [[a for a, _ in spans], [b for _, b in spans]],
    )
    con.execute(
        "CREATE OR REPLACE TEMP TABLE open_span AS SELECT open_from, open_to, coalesce(sum(epoch(open_to - open_from) / 60)"
        " OVER (ORDER BY open_from ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), 0) AS before_min FROM open_span"
    )


# Open minutes up to a moment: those of whole spans before it, and of its own span up to it.
_CLOSED = """
UPDATE stage_run SET closed_min = c.closed FROM (
    SELECT r.id, epoch(r.ended_at - r.started_at) / 60
        - ((b.before_min + epoch(least(r.ended_at, b.open_to) - b.open_from) / 60)
           - (a.before_min + epoch(r.started_at - a.open_from) / 60)) AS closed
    FROM (SELECT rowid AS id, started_at, ended_at FROM stage_run
          WHERE {countable} AND epoch(ended_at - started_at) > {shortest}) r
    ASOF JOIN open_span a ON r.started_at >= a.open_from
    ASOF JOIN open_span b ON r.ended_at >= b.open_from
    WHERE r.started_at < a.open_to AND b.open_from > a.open_from
) c WHERE stage_run.rowid = c.id
"""
