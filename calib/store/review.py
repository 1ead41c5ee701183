"""Runs that are valid but look wrong: marked for a look, never dropped; a person's verdict is kept."""

from __future__ import annotations

from typing import Any

import duckdb

from calib.errors import UsageError
from calib.records import STAGES

ATTENDED_LONGEST_H = 14
TIMES_USUAL = 8
ENOUGH_RUNS = 8
VERDICTS = ("right", "wrong")
_BY_HAND = "stage NOT IN ({})".format(
    ", ".join(f"'{name}'" for name, stage in STAGES.items() if stage.hands in ("none", "ends"))
)


def mark_runs(con: duckdb.DuckDBPyConnection, base: int) -> int:
    """Mark what came with file ``base`` or later and looks wrong; returns how many new marks."""
    before = _count(con)
    for rule, (sql, says) in RULES.items():
        con.execute(
            f"INSERT INTO review SELECT row_key, ?, {says}, effect, (now() AT TIME ZONE 'UTC')::TIMESTAMP, NULL, NULL, NULL "
            f"FROM ({sql}) m WHERE NOT EXISTS (SELECT 1 FROM review v WHERE v.row_key = m.row_key AND v.rule = ?)",
            [rule, base, rule],
        )
    return _count(con) - before


# Two runs of one build, stage and station that overlap by more than half of the shorter one.
_OVERLAP = """
WITH several AS (
    SELECT build_id, stage, station FROM stage_run WHERE started_at IS NOT NULL AND ended_at IS NOT NULL
    AND build_id IS NOT NULL AND coalesce(outcome, 'done') <> 'void'
    GROUP BY ALL HAVING count(*) > 1 AND max(file_id) >= ?
), runs AS (
    SELECT s.* FROM stage_run s SEMI JOIN several v ON s.build_id = v.build_id AND s.stage = v.stage
    AND s.station IS NOT DISTINCT FROM v.station
    WHERE s.started_at IS NOT NULL AND s.ended_at IS NOT NULL AND coalesce(s.outcome, 'done') <> 'void'
)
SELECT DISTINCT ON (b.row_key) b.row_key, a.started_at AS other,
    epoch(least(a.ended_at, b.ended_at) - greatest(a.started_at, b.started_at)) / 60 AS effect
FROM runs a JOIN runs b ON a.build_id = b.build_id AND a.stage = b.stage AND a.station IS NOT DISTINCT FROM b.station
    AND (a.started_at, a.row_key) < (b.started_at, b.row_key)
WHERE least(a.ended_at, b.ended_at) - greatest(a.started_at, b.started_at)
    > least(a.ended_at - a.started_at, b.ended_at - b.started_at) / 2
"""
_FORGOTTEN = f"""
WITH minutes AS (
    SELECT row_key, stage, file_id, epoch(ended_at - started_at) / 60 - coalesce(paused_min, 0) - coalesce(closed_min, 0) AS m
    FROM stage_run WHERE started_at IS NOT NULL AND ended_at IS NOT NULL AND {_BY_HAND}
    AND coalesce(outcome, 'done') <> 'void'
), usual AS (SELECT stage, median(m) AS usual, count(*) AS runs FROM minutes GROUP BY stage)
SELECT row_key, m, m - usual AS effect FROM minutes JOIN usual USING (stage)
WHERE file_id >= ? AND (m > {ATTENDED_LONGEST_H * 60} OR (runs >= {ENOUGH_RUNS} AND m > {TIMES_USUAL} * usual AND m > 60))
"""
_TWO_PLACES = f"""
WITH fresh AS (SELECT min(started_at) - INTERVAL 2 DAY AS first FROM stage_run WHERE file_id >= ?),
by_hand AS (
    SELECT rowid AS id, operator, started_at, ended_at FROM stage_run
    WHERE operator IS NOT NULL AND coalesce(crew_size, 1) = 1 AND ended_at IS NOT NULL
    AND started_at >= (SELECT first FROM fresh) AND {_BY_HAND} AND coalesce(outcome, 'done') <> 'void'
), pairs AS (
    SELECT id, started_at, ended_at, lag(ended_at) OVER (PARTITION BY operator ORDER BY started_at) AS before FROM by_hand
)
SELECT row_key, epoch(least(before, p.ended_at) - p.started_at) / 60 AS effect
FROM pairs p JOIN stage_run s ON s.rowid = p.id
WHERE before - p.started_at > (p.ended_at - p.started_at) / 2
"""
_ORDER = """
WITH spans AS (
    SELECT row_key, build_id, stage, started_at, ended_at, file_id FROM stage_run
    WHERE stage IN ('printing', 'unloading', 'washing', 'breakout', 'packing') AND build_id IS NOT NULL
    AND started_at IS NOT NULL AND ended_at IS NOT NULL AND coalesce(attempt, 1) = 1
    AND coalesce(outcome, 'done') NOT IN ('void', 'failed', 'stopped')
), printed AS (SELECT build_id, min(started_at) AS began FROM spans WHERE stage = 'printing' GROUP BY build_id)
SELECT row_key, epoch(began - ended_at) / 60 AS effect FROM spans JOIN printed USING (build_id)
WHERE file_id >= ? AND stage <> 'printing' AND ended_at < began
"""
_PROCESS = "SELECT s.row_key, s.stage AS odd, b.process AS process, NULL::DOUBLE AS effect FROM stage_run s JOIN build b " \
    "ON s.build_id = b.build_id WHERE s.file_id >= ? AND (" + " OR ".join(
        f"(s.stage = '{name}' AND b.process NOT IN ({', '.join(repr(code) for code in stage.processes)}))"
        for name, stage in STAGES.items() if len(stage.processes) < 3
    ) + ")"  # fmt: skip
RULES = {
    "overlap": (
        _OVERLAP,
        "'overlaps another run of the same build, stage and station that began at ' || other || ' UTC'",
    ),
    "forgotten timer": (_FORGOTTEN, "'lasted ' || round(m)::INTEGER || ' min: a forgotten timer?'"),
    "two places": (_TWO_PLACES, "'its person was at another run for more than half of it'"),
    "before printing": (_ORDER, "'ended before the printing of its build began'"),
    "unusual stage": (_PROCESS, "odd || ' is no usual stage of ' || process"),
}


def _count(con: duckdb.DuckDBPyConnection) -> int:
    row = con.execute("SELECT count(*) FROM review").fetchone()
    return int(row[0]) if row else 0


def list_review(con: duckdb.DuckDBPyConnection, limit: int = 5, everything: bool = False) -> list[dict[str, Any]]:
    """Marks without a verdict, the largest effect first: row_key, build_id, stage, rule, says, effect_min, path, line."""
    found = con.execute(
        "SELECT v.row_key, s.build_id, s.stage, v.rule, v.says, v.effect_min, f.name, s.line, v.verdict FROM "
        "(SELECT * FROM review WHERE verdict IS NULL OR ? ORDER BY effect_min DESC NULLS LAST, row_key LIMIT ?) v "
        "JOIN stage_run s ON s.row_key = v.row_key LEFT JOIN log_file f ON f.file_id = s.file_id "
        "ORDER BY v.effect_min DESC NULLS LAST, v.row_key",
        [everything, limit],
    ).fetchall()
    keys = ("row_key", "build_id", "stage", "rule", "says", "effect_min", "path", "line", "verdict")
    return [dict(zip(keys, row, strict=True)) for row in found]


def give_verdict(con: duckdb.DuckDBPyConnection, row_key: str, verdict: str, note: str = "") -> int:
    """Keep a person's verdict on all marks of a run: 'right' (it was so) or 'wrong' (leave it out); returns how many."""
    if verdict not in VERDICTS:
        raise UsageError(f'"{verdict}" is no verdict.', f"Say {' or '.join(VERDICTS)}.")
    row = con.execute("SELECT count(*) FROM review WHERE row_key = ?", [row_key]).fetchone()
    if not row or not row[0]:
        raise UsageError(f'No mark on a run "{row_key}".', "Copy the key from the list of runs to look at.")
    con.execute(
        "UPDATE review SET verdict = ?, verdict_at = (now() AT TIME ZONE 'UTC')::TIMESTAMP, verdict_note = ? WHERE row_key = ?",
        [verdict, note, row_key],
    )
    return int(row[0])
