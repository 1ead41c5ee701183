"""Stages that a lab never logs: asked about once, and what a person said of them."""

from __future__ import annotations

from collections.abc import Mapping

import duckdb

from calib.documents.logs import Question
from calib.errors import UsageError
from calib.records import NEVER_LOGGED
from calib.store.transaction import transaction

NOT_DONE, NOT_WRITTEN = "not done", "not written down"
LETTER = "S"  # before the number of such a question, to tell it from one of a row
_READ = "SELECT question_id, process, stage, builds, answer FROM stage_question"


def ask_of_stages(con: duckdb.DuckDBPyConnection, builds: Mapping[tuple[str, str], int]) -> None:
    """Have a question for each (process, stage) that no run of so many builds is of; open ones of other stages go.

    Answers stay: they count again where such a stage is no longer logged.
    """
    with transaction(con):
        open_ones = con.execute(f"{_READ} WHERE answer IS NULL").fetchall()
        for _, process, stage, *_ in open_ones:
            if (process, stage) not in builds:
                con.execute("DELETE FROM stage_question WHERE process = ? AND stage = ?", [process, stage])
        for (process, stage), count in sorted(builds.items()):
            con.execute(
                "INSERT INTO stage_question BY NAME SELECT coalesce(max(question_id), 0) + 1 AS question_id, ? AS process, "
                "? AS stage, ? AS builds FROM stage_question ON CONFLICT DO UPDATE SET builds = excluded.builds",
                [process, stage, count],
            )


def list_stage_questions(con: duckdb.DuckDBPyConnection, answered: bool = False) -> list[Question]:
    """The questions that are open, or those that were answered."""
    state = "NOT NULL" if answered else "NULL"
    rows = con.execute(f"{_READ} WHERE answer IS {state} ORDER BY builds DESC, process, stage").fetchall()
    return [_question(*row) for row in rows]


def stages_answered(con: duckdb.DuckDBPyConnection, answer: str) -> frozenset[tuple[str, str]]:
    """(process, stage) of which a person said this, NOT_DONE or NOT_WRITTEN."""
    rows = con.execute("SELECT process, stage FROM stage_question WHERE answer = ?", [answer]).fetchall()
    return frozenset((process, stage) for process, stage in rows)


def answer_of_stage(con: duckdb.DuckDBPyConnection, number: str, answer: str | None) -> Question:
    """Keep what a person said, NOT_DONE or NOT_WRITTEN, or open the question again with None; returns the question.

    The next fit obeys it. Raises UsageError where there is no such question, or no answer to take back.
    """
    known = {asked["mark_id"]: asked for done in (False, True) for asked in list_stage_questions(con, done)}
    question = known.get(number.upper())
    if question is None:
        raise UsageError(f"There is no question {number}.", "The open ones: calib review --all")
    if answer is None and question["verdict"] is None:
        raise UsageError(f"Question {number} has no answer to take back.", "Answered ones: calib review --answered")
    con.execute(
        "UPDATE stage_question SET answer = ?, answered_at = (now() AT TIME ZONE 'UTC')::TIMESTAMP "
        "WHERE process = ? AND stage = ?",
        [answer, question["process"], question["stage"]],
    )
    return question if answer is None else question | {"verdict": answer}


def _question(number: int, process: str, stage: str, builds: int, answer: str | None) -> Question:
    return {
        "mark_id": f"{LETTER}{number}",
        "rule": NEVER_LOGGED,
        "process": process,
        "stage": stage,
        "builds": builds,
        "effect_min": None,
        "verdict": answer,
        "verdict_min": None,
        "verdict_note": None,
        "sentence": f"in {builds} builds by {process} nobody logged {stage.replace('_', ' ')}: not done here, or done and not "
        "written down?",
    }
