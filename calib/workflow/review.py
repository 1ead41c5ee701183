"""Questions about rows that look wrong, and a person's answers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from calib.errors import UsageError
from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.store.people import without_names
from calib.store.review import A_WEEK, count_review, give_verdict, list_review, take_back_verdict
from calib.workflow.import_logs import at_shop


def find_questions(folder: Path, everything: bool = False, answered: bool = False) -> dict[str, Any]:
    """questions (this week's, all, or those that were answered), open (how many there are), answered_this_week, at_shop."""
    with open_store(folder, read_only=True) as store:
        still_open, this_week = count_review(store)
        limit = None if everything or answered else max(0, A_WEEK - this_week)
        found = list_review(store, limit, answered)
    return {
        "questions": found,
        "open": still_open,
        "answered_this_week": this_week,
        "answered": answered,
        "at_shop": at_shop(folder),
    }


def answer_question(
    folder: Path, number: int, verdicts: list[str], minutes: float | None = None, note: str = ""
) -> dict[str, Any]:
    """Keep one answer: right, mended (with ``minutes``), wrong, finished, failed, or take back the one that was given."""
    if len(verdicts) != 1:
        raise UsageError(
            f"Question {number} takes one answer, not {len(verdicts) or 'none'}.",
            "Say --right, --minutes MIN, --leave-out, --finished, --failed or --take-back.",
        )
    shop = read_shop(folder)
    with open_store(folder) as store:
        if verdicts == ["take back"]:
            return {"taken_back": True, "at_shop": at_shop(folder), **take_back_verdict(store, number)}
        kept = without_names(store, note, shop.people_names)
        verdict = give_verdict(store, number, verdicts[0], minutes, kept)
        return {"taken_back": False, "at_shop": at_shop(folder), **verdict}
