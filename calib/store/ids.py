"""Ids of builds and runs: those used again, rows that wait for their build, rows that bring only what is new of a run."""

from __future__ import annotations

import duckdb

from calib.logs.check_rows import NO_TIMES
from calib.store.staging_tables import StagingTables
from calib.store.tables import columns_of

RUNS, BUILDS = StagingTables("stages"), StagingTables("builds")
FAR_DAYS = 45
_BUILD_ID = "'build_id', 'id used again'"  # column and rule of rows that are set aside here


def set_aside_used_ids(con: duckdb.DuckDBPyConnection, kinds: set[str]) -> None:
    """Move rows of an id that is used again from ``good_...`` to ``used_again``.

    A build row is one when the stored build (or one read before it) has another machine or process; a plan that has
    not run may still move. A stage row is one when its start is more than 45 days from all starts of the build as it
    was known, or, where nothing was known, from the earliest ones.
    """
    con.execute(
        "CREATE TEMP TABLE used_again (kind VARCHAR, file_no INTEGER, raw_row BIGINT, column_name VARCHAR, rule VARCHAR, "
        "says VARCHAR)"
    )
    if "stages" in kinds:
        _far_starts(con)
    if "builds" in kinds:
        _other_machines(con)
        if "stages" in kinds:
            _rows_of_far_builds(con)


def _far_starts(con: duckdb.DuckDBPyConnection) -> None:
    con.execute(
        f"""CREATE TEMP TABLE wide AS SELECT build_id FROM (
            SELECT build_id, min(started_at) AS low, max(started_at) AS high FROM {RUNS.good}
            WHERE build_id IS NOT NULL AND started_at IS NOT NULL GROUP BY build_id
            UNION ALL
            SELECT build_id, min(started_at), max(started_at) FROM stage_run
            WHERE build_id IN (SELECT build_id FROM {RUNS.good}) AND started_at IS NOT NULL GROUP BY build_id
        ) GROUP BY build_id HAVING max(high) - min(low) > INTERVAL {FAR_DAYS} DAY"""
    )
    # Starts of such a build, oldest first, fall into groups wherever a gap is too long. The group that holds a stored
    # start is the build; where none is stored, the first one is.
    con.execute(
        f"""CREATE TEMP TABLE far AS
        WITH starts AS (
            SELECT build_id, started_at, false AS stored, file_no, raw_row FROM {RUNS.good} WHERE build_id IN (FROM wide)
            UNION ALL
            SELECT build_id, started_at, true, NULL, NULL FROM stage_run WHERE build_id IN (FROM wide)
        ), gaps AS (
            SELECT *, coalesce(started_at - lag(started_at) OVER w > INTERVAL {FAR_DAYS} DAY, false)::INTEGER AS gap
            FROM starts WHERE started_at IS NOT NULL WINDOW w AS (PARTITION BY build_id ORDER BY started_at)
        ), groups AS (
            SELECT *, sum(gap) OVER (PARTITION BY build_id ORDER BY started_at) AS part FROM gaps
        ), own AS (
            SELECT build_id, coalesce(list(DISTINCT part) FILTER (stored), [min(part)]) AS parts
            FROM groups GROUP BY build_id
        )
        SELECT file_no, raw_row, build_id FROM groups JOIN own USING (build_id)
        WHERE NOT stored AND NOT list_contains(parts, part)"""
    )
    con.execute(
        f"INSERT INTO used_again SELECT 'stages', file_no, raw_row, {_BUILD_ID}, "
        f"'id used again: its start is more than {FAR_DAYS} days from the others of this build; give the new build an id "
        "of its own, e.g. with the year' FROM far"
    )
    drop_used_again(con, "stages")


def _other_machines(con: duckdb.DuckDBPyConnection) -> None:
    con.execute(
        f"""CREATE TEMP TABLE first_seen AS
        SELECT build_id, process, machine, planned AND NOT EXISTS (
            SELECT 1 FROM stage_run s WHERE s.build_id = b.build_id) AS movable
        FROM build b WHERE build_id IN (SELECT build_id FROM {BUILDS.good})
        UNION ALL
        SELECT build_id, process, machine, planned FROM (
            SELECT *, row_number() OVER (PARTITION BY build_id ORDER BY file_no, line) AS place FROM {BUILDS.good}
            WHERE build_id NOT IN (SELECT build_id FROM build)
        ) WHERE place = 1"""
    )
    con.execute(
        f"""INSERT INTO used_again SELECT 'builds', g.file_no, g.raw_row, {_BUILD_ID},
        'id used again: the build of this id is ' || f.process || ' on ' || f.machine
        || '; give the new build an id of its own, e.g. with the year'
        FROM {BUILDS.good} g JOIN first_seen f USING (build_id)
        WHERE NOT coalesce(f.movable, false) AND (g.process <> f.process OR g.machine <> f.machine)"""
    )
    drop_used_again(con, "builds")


def _rows_of_far_builds(con: duckdb.DuckDBPyConnection) -> None:
    """A build row that comes with far-away stage rows only, and differs from what is known, is of the new build."""
    con.execute(
        f"""INSERT INTO used_again SELECT 'builds', g.file_no, g.raw_row, {_BUILD_ID},
        'id used again: its stages start more than {FAR_DAYS} days from those of the build of this id; give the new build '
        || 'an id of its own, e.g. with the year'
        FROM (SELECT *, row_number() OVER (PARTITION BY build_id ORDER BY file_no, line) AS place FROM {BUILDS.good}) g
        WHERE build_id IN (SELECT build_id FROM far)
        AND (place > 1 OR build_id IN (SELECT build_id FROM build))
        AND raw_hash NOT IN (SELECT raw_hash FROM {BUILDS.good} o WHERE o.build_id = g.build_id
            AND (o.file_no, o.line) < (g.file_no, g.line))"""
    )
    drop_used_again(con, "builds")


def drop_used_again(con: duckdb.DuckDBPyConnection, kind: str) -> None:
    staged = StagingTables(kind).staged
    con.execute(
        f"UPDATE {staged} SET bad = true FROM used_again u WHERE u.kind = '{kind}' "
        f"AND {staged}.file_no = u.file_no AND {staged}.raw_row = u.raw_row"
    )


_KNOWN_ORDERS = (
    "(SELECT unnest(string_split(order_id, '+')) FROM build WHERE order_id IS NOT NULL "
    "UNION SELECT unnest(string_split(order_id, '+')) FROM item WHERE order_id IS NOT NULL "
    "UNION SELECT order_id FROM quote WHERE order_id IS NOT NULL "
    "UNION SELECT build_id FROM build WHERE order_id IS NULL)"  # such a build is its own order
)


def hold_rows(con: duckdb.DuckDBPyConnection) -> None:
    """Mark the rows of ``good_stages`` whose build or order is not known."""
    _mark(con, RUNS.staged, "NOT bad")


def join_held(con: duckdb.DuckDBPyConnection) -> int:
    """Held rows whose builds have come are held no more; returns how many."""
    before = _held(con)
    if before:
        con.execute("UPDATE stage_run SET held = false WHERE held")
        _mark(con, "stage_run")
    return before - _held(con)


def hold_again(con: duckdb.DuckDBPyConnection) -> None:
    """Runs whose build or order is no longer known wait for it."""
    _mark(con, "stage_run")


def _mark(con: duckdb.DuckDBPyConnection, table: str, which: str = "true") -> None:
    for column, known in (("build_id", "(SELECT build_id FROM build)"), ("order_id", _KNOWN_ORDERS)):
        only = which if column == "build_id" else f"{which} AND build_id IS NULL"
        con.execute(
            f"UPDATE {table} SET held = true WHERE {only} AND {column} NOT IN {known} "
            f"AND ({column} NOT LIKE '%+%' OR rowid IN (SELECT rowid FROM (SELECT rowid, "
            f"unnest(string_split({column}, '+')) AS one FROM {table} WHERE {only} AND {column} LIKE '%+%') "
            f"WHERE one NOT IN {known}))"
        )


def _held(con: duckdb.DuckDBPyConnection) -> int:
    row = con.execute("SELECT count(*) FROM stage_run WHERE held").fetchone()
    return int(row[0]) if row else 0


WORK = "coalesce(build_id, order_id)"


def set_aside_strange_runs(con: duckdb.DuckDBPyConnection) -> None:
    """Complete rows of ``good_stages`` that have a run_id and no times; set aside what fits no run.

    Such a row keeps the times that are known of its run, from the store or from another row of this call. It is set aside
    where no row says when the run began, or where it would end before that; and so is a run_id that comes back for
    other work and more than 45 days away.
    """
    con.execute(
        f"""CREATE TEMP TABLE met_again AS SELECT hash(run_id) AS digest FROM {RUNS.good} WHERE run_id IS NOT NULL
            GROUP BY digest HAVING count(*) > 1 OR bool_or({NO_TIMES})
            UNION SELECT hash(run_id) FROM stage_run WHERE run_id IN (SELECT run_id FROM {RUNS.good})"""
    )
    if not con.execute("SELECT 1 FROM met_again LIMIT 1").fetchone():
        return
    again = "run_id IS NOT NULL AND hash(run_id) IN (FROM met_again)"
    con.execute(
        f"""CREATE TEMP TABLE known_run AS SELECT DISTINCT ON (run_id) * FROM (
            SELECT run_id, stage, {WORK} AS work, started_at, ended_at, true AS stored FROM stage_run WHERE {again}
            UNION ALL
            SELECT run_id, stage, {WORK}, started_at, NULL, false FROM {RUNS.good} WHERE {again} AND NOT ({NO_TIMES})
        ) ORDER BY run_id, stored DESC, started_at NULLS LAST"""
    )
    con.execute(
        f"""CREATE TEMP TABLE named_run AS SELECT file_no, raw_row, run_id, stage, {WORK} AS work, started_at, ended_at,
            {NO_TIMES} AS no_times, (present >> {columns_of("stages").index("ended_at")}) & 1 = 1 AS has_end
        FROM {RUNS.good} WHERE {again}"""
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
        f"UPDATE {RUNS.staged} SET present = present & ~({kept}) WHERE NOT bad AND run_id IS NOT NULL AND {NO_TIMES}"
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
