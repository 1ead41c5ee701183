"""Runs that are valid but look wrong: what makes one suspicious, marking it, and a person's verdicts. Nothing is dropped."""

from __future__ import annotations

from typing import Any, cast

import duckdb
import pandas as pd

from calib.documents.logs import Question
from calib.errors import UsageError
from calib.records import NEVER_ENDED, STAGES
from calib.store.tables import KEY, KEY_START, keyed
from calib.store.transaction import transaction

ATTENDED_LONGEST_H = 14
TIMES_USUAL = 6  # finds 50 of the 52 timers that the demo lab forgot, and 2 others (8: 39 and 1)
ENOUGH_RUNS = 8
_BY_HAND = "stage NOT IN ({})".format(
    ", ".join(f"'{name}'" for name, stage in STAGES.items() if stage.hands in ("none", "ends"))
)
# What a person judges: a row with other times or minutes is another question.
JUDGED = "concat_ws(' | ', s.started_at, s.ended_at, s.date, s.work_min, s.paused_min)"

# Runs with their keys, but only those that can be marked: to tell the keys of all takes longer than to look for marks.
MARKED = keyed("stages", where=f"{KEY_START} IN (SELECT work FROM review)")


def mark_runs(con: duckdb.DuckDBPyConnection, base: int, zone: str) -> int:
    """Mark what came with file ``base`` or later and looks wrong; returns how many new marks.

    zone : IANA zone of the times in a mark's sentence
    """
    before = _count(con)
    for rule, (sql, says) in RULES.items():
        _mark(con, rule, sql, says, {"base": base} | ({"zone": zone} if "$zone" in says else {}))
    return _count(con) - before


def mark_far(con: duckdb.DuckDBPyConnection, flagged: pd.DataFrame) -> None:
    """Mark the runs that the last fit takes for wrong logs, and none else by this rule.

    flagged : run_key, ratio (actual over expected), says

    A question that a person has answered stays as it is. One that is taken back is never asked again, so that no number
    that somebody may have written down comes to mean another run; should the run look wrong again, it gets a new one.
    """
    says = f"'lasted ' || {_lasted('m')} || ' where ' || {_lasted('m / ratio')} || ' were expected, ' || m.says"
    _mark_found(con, FAR, flagged, _FAR, says)


def mark_never_ended(con: duckdb.DuckDBPyConnection, flagged: pd.DataFrame) -> None:
    """Mark the open runs that are older than any like them, and none else by this rule; answered as for ``mark_far``.

    flagged : run_key, usual_min, says
    """
    _mark_found(con, NEVER_ENDED, flagged, _NEVER_ENDED, "m.says")


def _mark_found(con: duckdb.DuckDBPyConnection, rule: str, flagged: pd.DataFrame, sql: str, says: str) -> None:
    with transaction(con):
        con.register("flagged", flagged)
        con.execute(
            f"UPDATE review SET judged = '{TAKEN_BACK}' WHERE rule = ? AND verdict IS NULL "
            "AND row_key NOT IN (SELECT run_key FROM flagged)",
            [rule],
        )
        _mark(con, rule, sql, says)
        con.unregister("flagged")


def _mark(con: duckdb.DuckDBPyConnection, rule: str, sql: str, says: str, values: dict[str, Any] | None = None) -> None:
    new = (
        f"SELECT {KEY['stages']} AS row_key, {KEY_START} AS work, {JUDGED} AS judged, {says} AS says, effect "
        f"FROM ({sql}) m JOIN stage_run s ON s.rowid = m.id"
    )
    con.execute(
        "INSERT INTO review (mark_id, row_key, work, judged, rule, says, effect_min, marked_at) "
        "SELECT (SELECT coalesce(max(mark_id), 0) FROM review) + row_number() OVER (ORDER BY effect DESC, row_key), "
        f"row_key, work, judged, $rule, says, effect, (now() AT TIME ZONE 'UTC')::TIMESTAMP FROM ({new}) n WHERE NOT EXISTS "
        "(SELECT 1 FROM review v WHERE v.row_key = n.row_key AND coalesce(v.judged, n.judged) = n.judged "
        "AND (v.rule = $rule OR v.verdict IS NOT NULL AND $rule IN $of_minutes))",
        {"rule": rule, "of_minutes": OF_MINUTES} | (values or {}),
    )


def _count(con: duckdb.DuckDBPyConnection) -> int:
    row = con.execute("SELECT count(*) FROM review").fetchone()
    return int(row[0]) if row else 0


# Two runs of one build, stage and station that overlap by more than half of the shorter one.
_OVERLAP = f"""
WITH several AS (
    SELECT hash(build_id, stage, station) AS digest FROM stage_run WHERE started_at IS NOT NULL AND ended_at IS NOT NULL
    AND build_id IS NOT NULL AND coalesce(outcome, 'done') <> 'void'
    GROUP BY digest HAVING count(*) > 1 AND max(file_id) >= $base
), runs AS (
    SELECT s.* FROM {keyed("stages")} s SEMI JOIN several v ON hash(s.build_id, s.stage, s.station) = v.digest
    WHERE s.started_at IS NOT NULL AND s.ended_at IS NOT NULL AND coalesce(s.outcome, 'done') <> 'void'
)
SELECT DISTINCT ON (b.id) b.id, a.started_at AS other,
    epoch(least(a.ended_at, b.ended_at) - greatest(a.started_at, b.started_at)) / 60 AS effect
FROM runs a JOIN runs b ON a.build_id = b.build_id AND a.stage = b.stage AND a.station IS NOT DISTINCT FROM b.station
    AND (a.started_at, a.row_key) < (b.started_at, b.row_key)
WHERE least(a.ended_at, b.ended_at) - greatest(a.started_at, b.started_at)
    > least(a.ended_at - a.started_at, b.ended_at - b.started_at) / 2
"""
# Held against the runs of its stage by the same process.
_FORGOTTEN = f"""
WITH minutes AS (
    SELECT s.rowid AS id, s.stage, coalesce(b.process, '') AS process, s.file_id,
        epoch(s.ended_at - s.started_at) / 60 - coalesce(s.paused_min, 0) - coalesce(s.closed_min, 0) AS m
    FROM stage_run s LEFT JOIN build b ON b.build_id = split_part(s.build_id, '+', 1)
    WHERE s.started_at IS NOT NULL AND s.ended_at IS NOT NULL AND {_BY_HAND} AND coalesce(s.outcome, 'done') <> 'void'
), usual AS (
    SELECT stage, process, median(m) AS usual, count(*) AS runs FROM minutes
    WHERE stage IN (SELECT stage FROM minutes WHERE file_id >= $base AND m > 60) GROUP BY stage, process
)
SELECT id, m, CASE WHEN runs >= {ENOUGH_RUNS} THEN usual END AS usual, m - usual AS effect
FROM minutes JOIN usual USING (stage, process)
WHERE file_id >= $base AND (m > {ATTENDED_LONGEST_H * 60} OR (runs >= {ENOUGH_RUNS} AND m > {TIMES_USUAL} * usual AND m > 60))
"""
_TWO_PLACES = f"""
WITH fresh AS (SELECT min(started_at) - INTERVAL 2 DAY AS first FROM stage_run WHERE file_id >= $base),
by_hand AS (
    SELECT rowid AS id, operator, started_at, ended_at FROM stage_run
    WHERE operator IS NOT NULL AND coalesce(crew_size, 1) = 1 AND ended_at IS NOT NULL
    AND started_at >= (SELECT first FROM fresh) AND {_BY_HAND} AND coalesce(outcome, 'done') <> 'void'
), pairs AS (
    SELECT id, started_at, ended_at, lag(ended_at) OVER (PARTITION BY operator ORDER BY started_at) AS before FROM by_hand
)
SELECT id, epoch(least(before, ended_at) - started_at) / 60 AS effect FROM pairs
WHERE before - started_at > (ended_at - started_at) / 2
"""
_ORDER = """
WITH spans AS (
    SELECT rowid AS id, build_id, stage, started_at, ended_at, file_id FROM stage_run
    WHERE stage IN ('printing', 'unloading', 'washing', 'breakout', 'packing') AND build_id IS NOT NULL
    AND started_at IS NOT NULL AND ended_at IS NOT NULL AND coalesce(attempt, 1) = 1
    AND coalesce(outcome, 'done') NOT IN ('void', 'failed', 'stopped')
), printed AS (
    SELECT build_id, min(started_at) AS began, max(file_id) AS file_id FROM spans WHERE stage = 'printing' GROUP BY build_id
)
SELECT id, epoch(began - ended_at) / 60 AS effect FROM spans s JOIN printed p USING (build_id)
WHERE greatest(s.file_id, p.file_id) >= $base AND stage <> 'printing' AND ended_at < began
"""
# A stage that its process does not have: of every build of a load, every stage of a sum, and also when the build comes late.
_FEW_PROCESSES = {name: stage.processes for name, stage in STAGES.items() if len(stage.processes) < 3}
_PROCESS = f"""
WITH fresh AS (SELECT build_id FROM build WHERE file_id >= $base),
plain AS (
    SELECT rowid AS id, build_id, stage, file_id FROM stage_run
    WHERE NOT contains(build_id, '+') AND NOT contains(stage, '+')
    AND stage IN ({", ".join(map(repr, _FEW_PROCESSES))}) AND (file_id >= $base OR build_id IN (FROM fresh))
), joined AS (
    SELECT rowid AS id, unnest(string_split(build_id, '+')) AS build_id, stage, file_id FROM stage_run
    WHERE contains(build_id, '+') OR contains(stage, '+')
), steps AS (
    SELECT id, build_id, stage, file_id FROM plain UNION ALL
    SELECT id, build_id, unnest(string_split(stage, '+')) AS stage, file_id FROM joined
)
SELECT DISTINCT ON (s.id) s.id, b.process AS process, s.stage AS step, NULL::DOUBLE AS effect
FROM steps s JOIN build b ON s.build_id = b.build_id
WHERE greatest(s.file_id, b.file_id) >= $base AND ({
    " OR ".join(
        f"(s.stage = '{name}' AND b.process NOT IN ({', '.join(map(repr, codes))}))"
        for name, codes in _FEW_PROCESSES.items()
    )
}) ORDER BY s.id, b.process, s.stage
"""
# What the fit calls a wrong log, of machines' runs too.
FAR = "far from expected"
_FAR = f"""
WITH runs AS (
    SELECT s.row_key, s.id, coalesce(
        epoch(s.ended_at - s.started_at) / 60 - coalesce(s.paused_min, 0) - coalesce(s.closed_min, 0), s.work_min) AS m
    FROM {
    keyed(
        "stages",
        where=f"{KEY_START} IN (SELECT split_part(run_key, ' | ', 1) FROM flagged UNION SELECT run_key[5:] FROM flagged)",
    )
} s
)
SELECT r.id, r.m, f.ratio, f.says, abs(r.m - r.m / f.ratio) AS effect FROM runs r JOIN flagged f ON r.row_key = f.run_key
WHERE r.m > 0
"""
# What is still open long after any like it had ended.
_NEVER_ENDED = f"""
SELECT s.id, f.usual_min AS effect, f.says
FROM {keyed("stages", where="ended_at IS NULL AND work_min IS NULL")} s JOIN flagged f ON s.row_key = f.run_key
"""


def _lasted(minutes: str) -> str:
    """SQL of minutes as a person says them."""
    return f"CASE WHEN {minutes} < 120 THEN round({minutes})::BIGINT || ' min' ELSE round({minutes} / 60)::BIGINT || ' h' END"


FORGOTTEN = "forgotten timer"
OF_MINUTES = [FAR, FORGOTTEN]  # rules that doubt how long a run took, which a verdict by any rule has settled
TAKEN_BACK = "taken back"  # stands where the times of a run stand: no run has it
RULES = {
    "overlap": (
        _OVERLAP,
        "'overlaps another run of it at the same station, begun at ' || "
        "strftime((other AT TIME ZONE 'UTC') AT TIME ZONE $zone, '%Y-%m-%d %H:%M') || ': is one of them a mended copy?'",
    ),
    FORGOTTEN: (
        _FORGOTTEN,
        f"'lasted ' || {_lasted('m')} || coalesce(', usually ' || {_lasted('usual')}, '') || ': a forgotten timer?'",
    ),
    "two places": (_TWO_PLACES, "'has a person who was at another run for more than half of it: are the times right?'"),
    "before printing": (
        _ORDER,
        "'ended before the printing of its build began: is it the right build, and are both clocks right?'",
    ),
    "unusual stage": (
        _PROCESS,
        "CASE WHEN step <> stage THEN 'holds ' || replace(step, '_', ' ') || ', which ' ELSE '' END || 'is no usual stage of ' "
        "|| process || ': is it the right stage?'",
    ),
}


A_WEEK = 5  # questions that a person is asked in a week

# A mark on a row that is gone or was corrected since rests until that row comes back.
STANDING = f"FROM review v JOIN {MARKED} s ON s.row_key = v.row_key AND coalesce(v.judged, {JUDGED}) = {JUDGED}"
# The greatest mark on each row as it stands now.
_NOW = f"""
SELECT v.mark_id, v.row_key, v.rule, v.says, v.effect_min, v.verdict, v.verdict_min, v.verdict_note, v.verdict_at, s.build_id, s.order_id,
    s.stage, s.line, f.name AS path
{STANDING}
LEFT JOIN log_file f ON f.file_id = s.file_id
QUALIFY row_number() OVER (PARTITION BY v.row_key ORDER BY v.effect_min DESC NULLS LAST, v.mark_id) = 1
"""


def list_review(con: duckdb.DuckDBPyConnection, limit: int | None = A_WEEK, answered: bool = False) -> list[Question]:
    """One mark of each run without a verdict, the largest effect first, or those with one, the latest first.

    Each has mark_id, row_key, rule, says, effect_min, verdict, verdict_min, verdict_note, verdict_at, build_id, order_id, stage, line,
    path, and ``sentence``, which says all of it.
    """
    order = "verdict_at DESC" if answered else "effect_min DESC NULLS LAST"
    rows = con.execute(
        f"SELECT * FROM ({_NOW}) WHERE (verdict IS NOT NULL) = ? ORDER BY {order}, mark_id LIMIT ?",
        [answered, 1 << 60 if limit is None else limit],
    )
    names = [column[0] for column in rows.description or ()]
    marks = [dict(zip(names, row, strict=True)) for row in rows.fetchall()]
    return [cast(Question, mark | {"sentence": _sentence(mark)}) for mark in marks]


def _sentence(mark: dict[str, Any]) -> str:
    work = mark["stage"].replace("+", " + ").replace("_", " ")
    place = f"{mark['path']} line {mark['line']}" if mark["path"] else "row"
    return f"{place}: {work} of {mark['build_id'] or mark['order_id']} {mark['says']}"


def count_review(con: duckdb.DuckDBPyConnection) -> tuple[int, int]:
    """How many runs are in question, and how many questions a person has answered in the last seven days."""
    row = con.execute(
        f"SELECT count(*) FILTER (verdict IS NULL), (SELECT count(DISTINCT row_key) FROM review WHERE verdict IS NOT NULL "
        f"AND verdict_at > (now() AT TIME ZONE 'UTC')::TIMESTAMP - INTERVAL 7 DAY) FROM ({_NOW})"
    ).fetchone()
    return (int(row[0]), int(row[1])) if row else (0, 0)


def give_verdict(
    con: duckdb.DuckDBPyConnection, mark_id: int, verdict: str, minutes: float | None = None, note: str = ""
) -> Question:
    """Keep a person's verdict on a run, for all open marks on it; returns the mark with it.

    verdict : 'right' (it was so), 'mended' (it took ``minutes``) or 'wrong' (leave it out); of a run that never ended
        'finished' or 'failed'

    Raises UsageError where there is no such question, or the verdict does not fit it.
    """
    mark = _find(con, mark_id)
    if verdict == "mended" and not (minutes is not None and 0 < minutes < 60 * 24 * 60):
        raise UsageError(f"{minutes:g} is no duration of a run.", "Give minutes above 0.")
    if verdict in ("not done", "not written down"):
        raise UsageError(f"Question {mark_id} is of a row.", "Say --right, --minutes MIN or --leave-out.")
    if verdict in ("finished", "failed") and mark["rule"] != NEVER_ENDED:
        raise UsageError(
            f"Question {mark_id} is of a run that has an end.", "Say --right, --minutes MIN or --leave-out."
        )
    con.execute(
        "UPDATE review SET verdict = ?, verdict_min = ?, verdict_note = ?, verdict_at = (now() AT TIME ZONE 'UTC')::TIMESTAMP "
        "WHERE row_key = ? AND judged IS NOT DISTINCT FROM (SELECT judged FROM review WHERE mark_id = ?)",
        [verdict, minutes if verdict == "mended" else None, note or None, mark["row_key"], mark_id],
    )
    return _find(con, mark_id)


def take_back_verdict(con: duckdb.DuckDBPyConnection, mark_id: int) -> Question:
    """Open the question again, which the fit does not know of yet; returns the mark as it was answered.

    Raises UsageError where there is no such question, or no answer to it.
    """
    mark = _find(con, mark_id)
    if mark["verdict"] is None:
        raise UsageError(f"Question {mark_id} has no answer to take back.", "Answered ones: calib review --answered")
    con.execute(
        "UPDATE review SET verdict = NULL, verdict_min = NULL, verdict_note = NULL, "
        "verdict_at = (now() AT TIME ZONE 'UTC')::TIMESTAMP "
        "WHERE row_key = ? AND judged IS NOT DISTINCT FROM (SELECT judged FROM review WHERE mark_id = ?)",
        [mark["row_key"], mark_id],
    )
    return mark


def _find(con: duckdb.DuckDBPyConnection, mark_id: int) -> Question:
    for answered in (False, True):
        for mark in list_review(con, None, answered):
            if mark["mark_id"] == mark_id:
                return mark
    raise UsageError(f"There is no question {mark_id}.", "The open ones: calib review --all")
