"""How healthy the logs are: silent machines, rows that wait for a person."""

from __future__ import annotations

from typing import Any

import duckdb

from calib.store.review import count_review

TIMES_USUAL_GAP = 3.0
LEAST_SILENCE_DAYS = 7.0


def find_health(con: duckdb.DuckDBPyConnection) -> dict[str, Any]:
    """silent_machines, and numbers of rows quarantined, held, and to confirm."""
    row = con.execute(
        "SELECT (SELECT count(DISTINCT reject_id) FROM quarantine WHERE state = 'open'), "
        "(SELECT count(*) FROM stage_run WHERE held)"
    ).fetchone()
    quarantined, held = row or (0, 0)
    return {
        "silent_machines": silent_machines(con),
        "quarantined": quarantined,
        "held": held,
        "to_confirm": count_review(con)[0],
    }


def last_logs(con: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    """The day of the last log of each machine: machine, last."""
    found = con.execute(
        "SELECT b.machine, max(coalesce(s.ended_at, s.started_at))::DATE AS last FROM stage_run s "
        "JOIN build b ON s.build_id = b.build_id GROUP BY b.machine HAVING last IS NOT NULL ORDER BY b.machine"
    ).fetchall()
    return [{"machine": machine, "last": str(last)} for machine, last in found]


def silent_machines(con: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    """Machines silent for over a week and three times their usual longest tenth of gaps, up to the last log of all."""
    found = con.execute(
        """WITH days AS (
            SELECT DISTINCT b.machine, coalesce(s.ended_at, s.started_at)::DATE AS day
            FROM stage_run s JOIN build b ON s.build_id = b.build_id
            WHERE s.stage = 'printing' AND coalesce(s.ended_at, s.started_at) IS NOT NULL
        ), gaps AS (
            SELECT machine, day, day - lag(day) OVER (PARTITION BY machine ORDER BY day) AS gap FROM days
        ), usual AS (
            SELECT machine, max(day) AS last, quantile_cont(gap, 0.9) AS gap, count(gap) AS n FROM gaps GROUP BY machine
        )
        SELECT machine, last FROM usual
        WHERE n >= 5 AND (SELECT max(day) FROM days) - last > greatest(?, ? * gap) ORDER BY machine""",
        [LEAST_SILENCE_DAYS, TIMES_USUAL_GAP],
    ).fetchall()
    return [{"machine": machine, "last": str(last)} for machine, last in found]
