"""Runs that were marked for a person's look, and the person's verdicts, which are kept and can be taken back."""

from __future__ import annotations

from typing import Any

import duckdb

from calib.errors import UsageError
from calib.records import NEVER_ENDED
from calib.store.suspicious import JUDGED, MARKED

A_WEEK = 5  # questions that a person is asked in a week
VERDICTS = ("right", "mended", "wrong", "finished", "failed")

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


def list_review(
    con: duckdb.DuckDBPyConnection, limit: int | None = A_WEEK, answered: bool = False
) -> list[dict[str, Any]]:
    """One mark of each run without a verdict, the largest effect first, or those with one, the latest first.

    Each has mark_id, row_key, rule, says, effect_min, verdict, verdict_min, verdict_note, verdict_at, build_id, order_id, stage, line,
    path, and ``sentence``, which says all of it.
    """
    order = "verdict_at DESC" if answered else "effect_min DESC NULLS LAST"
    found = con.execute(
        f"SELECT * FROM ({_NOW}) WHERE (verdict IS NOT NULL) = ? ORDER BY {order}, mark_id LIMIT ?",
        [answered, 1 << 60 if limit is None else limit],
    )
    names = [column[0] for column in found.description or ()]
    marks = [dict(zip(names, row, strict=True)) for row in found.fetchall()]
    return [mark | {"sentence": _sentence(mark)} for mark in marks]


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
) -> dict[str, Any]:
    """Keep a person's verdict on a run, for all open marks on it; returns the mark with it.

    verdict : 'right' (it was so), 'mended' (it took ``minutes``) or 'wrong' (leave it out); of a run that never ended
        'finished' or 'failed'
    """
    mark = _find(con, mark_id)
    if verdict == "mended" and not (minutes is not None and 0 < minutes < 60 * 24 * 60):
        raise UsageError(f"{minutes} is no duration of a run.", "Give minutes above 0.")
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


def take_back_verdict(con: duckdb.DuckDBPyConnection, mark_id: int) -> dict[str, Any]:
    """Open the question again, which the fit does not know of yet; returns the mark as it was answered."""
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


def _find(con: duckdb.DuckDBPyConnection, mark_id: int) -> dict[str, Any]:
    for answered in (False, True):
        for mark in list_review(con, None, answered):
            if mark["mark_id"] == mark_id:
                return mark
    raise UsageError(f"There is no question {mark_id}.", "The open ones: calib review --all")
