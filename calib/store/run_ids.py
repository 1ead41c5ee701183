"""Rows that name a run by its run_id: those that bring only what is new of it, and run ids that are used again."""

from __future__ import annotations

import duckdb

from calib.logs.check_rows import NO_TIMES
from calib.store.ids import FAR_DAYS, drop_used_again
from calib.store.tables import columns_of

WORK = "coalesce(build_id, order_id)"


def set_aside_strange_runs(con: duckdb.DuckDBPyConnection) -> None:
    """Complete rows of ``good_stages`` that have a run_id and no times; set aside what fits no run.

    Such a row keeps the times that are known of its run, from the store or from another row of this call. It is set aside
    where no row says when the run began, or where it would end before that; and so is a run_id that comes back for
    other work and more than 45 days away.
    """
    con.execute(
        f"""CREATE TEMP TABLE met_again AS SELECT hash(run_id) AS digest FROM good_stages WHERE run_id IS NOT NULL
            GROUP BY digest HAVING count(*) > 1 OR bool_or({NO_TIMES})
            UNION SELECT hash(run_id) FROM stage_run WHERE run_id IN (SELECT run_id FROM good_stages)"""
    )
    if not con.execute("SELECT 1 FROM met_again LIMIT 1").fetchone():
        return
    again = "run_id IS NOT NULL AND hash(run_id) IN (FROM met_again)"
    con.execute(
        f"""CREATE TEMP TABLE known_run AS SELECT DISTINCT ON (run_id) * FROM (
            SELECT run_id, stage, {WORK} AS work, started_at, ended_at, true AS stored FROM stage_run WHERE {again}
            UNION ALL
            SELECT run_id, stage, {WORK}, started_at, NULL, false FROM good_stages WHERE {again} AND NOT ({NO_TIMES})
        ) ORDER BY run_id, stored DESC, started_at NULLS LAST"""
    )
    con.execute(
        f"""CREATE TEMP TABLE named_run AS SELECT file_no, raw_row, run_id, stage, {WORK} AS work, started_at, ended_at,
            {NO_TIMES} AS no_times, (present >> {columns_of("stages").index("ended_at")}) & 1 = 1 AS has_end
        FROM good_stages WHERE {again}"""
    )
    for column, rule, says, where in _STRANGE:
        con.execute(
            f"INSERT INTO used_again SELECT 'stages', n.file_no, n.raw_row, '{column}', '{rule}', {says} "
            f"FROM named_run n LEFT JOIN known_run k USING (run_id) WHERE {where}"
        )
    drop_used_again(con, "stages")
    kept = " | ".join(
        f"CASE WHEN {name} IS NULL THEN {1 << columns_of('stages').index(name)} ELSE 0 END"
        for name in ("started_at", "ended_at", "date", "work_min")
    )
    con.execute(
        f"UPDATE staged_stages SET present = present & ~({kept}) WHERE NOT bad AND run_id IS NOT NULL AND {NO_TIMES}"
    )


_STRANGE = (
    (
        "started_at",
        "time",
        "'is empty, and no row with this run_id says when it began'",
        "n.no_times AND k.run_id IS NULL",
    ),
    (
        "ended_at",
        "end after start",
        "'is not after the start of this run as another row has it'",
        "n.started_at IS NULL AND n.ended_at <= k.started_at",
    ),
    (
        "started_at",
        "end after start",
        "'is not before the end of this run as it was logged before'",
        "NOT n.has_end AND n.started_at >= k.ended_at",
    ),
    (
        "run_id",
        "id used again",
        "'id used again: it is the run ' || k.stage || ' of ' || k.work || ' of ' || k.started_at::DATE "
        "|| '; give the new run an id of its own, e.g. with the year'",
        f"(n.stage <> k.stage OR n.work <> k.work) AND abs(epoch(n.started_at - k.started_at)) > {FAR_DAYS * 86400}",
    ),
)
