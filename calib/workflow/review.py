"""Questions about rows that look wrong, and a person's answers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from calib.errors import UsageError
from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.store.people import without_names
from calib.store.review import A_WEEK, count_review, give_verdict, list_review, take_back_verdict
from calib.store.stage_questions import LETTER, NOT_DONE, NOT_WRITTEN, answer_of_stage, list_stage_questions
from calib.workflow.import_logs import at_shop


def find_questions(folder: Path, everything: bool = False, answered: bool = False) -> dict[str, Any]:
    """questions (this week's, all, or those that were answered), open (how many there are), answered_this_week, at_shop."""
    with open_store(folder, read_only=True) as store:
        still_open, this_week = count_review(store)
        of_stages = list_stage_questions(store, answered)
        limit = None if everything or answered else max(0, A_WEEK - this_week - len(of_stages))
        found = [*of_stages, *list_review(store, limit, answered)]
    return {
        "questions": found,
        "open": still_open + (0 if answered else len(of_stages)),
        "answered_this_week": this_week,
        "answered": answered,
        "at_shop": at_shop(folder),
    }


def answer_question(
    folder: Path, number: str, verdicts: list[str], minutes: float | None = None, note: str = ""
) -> dict[str, Any]:
    """Keep one answer: right, mended (with ``minutes``), wrong, finished, failed, not done, not written down, or take back
    the one that was given."""
    if len(verdicts) != 1:
        raise UsageError(
            f"Question {number} takes one answer, not {len(verdicts) or 'none'}.",
            "Say --right, --minutes MIN, --leave-out, --finished, --failed, --not-done, --not-written or --undo.",
        )
    shop, row = read_shop(folder), _row_number(number)
    with open_store(folder) as store:
        if row is None:
            answer = _of_a_stage(number, verdicts[0])
            return {
                "taken_back": answer is None,
                "at_shop": at_shop(folder),
                **answer_of_stage(store, number, answer),
            }
        if verdicts == ["take back"]:
            return {"taken_back": True, "at_shop": at_shop(folder), **take_back_verdict(store, row)}
        kept = without_names(store, note, shop.people_names)
        verdict = give_verdict(store, row, verdicts[0], minutes, kept)
        return {"taken_back": False, "at_shop": at_shop(folder), **verdict}


def _row_number(number: str) -> int | None:
    """The number of a question of a row; None for one of a stage."""
    if number.upper().startswith(LETTER) and number[1:].isdecimal():
        return None
    try:
        return int(number)
    except ValueError:
        raise UsageError(f'"{number}" is no question.', "The open ones: calib review --all") from None


def _of_a_stage(number: str, verdict: str) -> str | None:
    if verdict == "take back":
        return None
    if verdict not in (NOT_DONE, NOT_WRITTEN):
        raise UsageError(f"Question {number} is of a stage that nobody logs.", "Say --not-done or --not-written.")
    return verdict
