"""Care of the store as text: questions and answers, rows set aside, copies, checks, what was forgotten or taken back."""

from __future__ import annotations

from calib.report.terminal import Document
from calib.report.terminal_import import quarantine_sentences, question_line
from calib.report.units import count, duration


def show_review(doc: Document) -> str:
    """The questions, how to answer one, and how many wait."""
    questions = doc["questions"]
    if doc["answered"]:
        return "\n".join(
            [f"{question_line(one)} {_answer(one)}" for one in questions] or ["No question was answered yet."]
        )
    if not questions and doc["open"]:
        return f"{count(doc['answered_this_week'], 'question')} answered in the last seven days, {doc['open']} more wait: calib review --all"
    if not questions:
        return "No row looks wrong."
    lines = [question_line(one) for one in questions]
    if doc["open"] > len(questions):
        lines.append(f"{doc['open'] - len(questions)} more with less effect: calib review --all")
    example = questions[0]["mark_id"]
    return "\n".join(
        [
            *lines,
            "Answer by number, then fit again:",
            f"  calib review {example} --right           it was so",
            f"  calib review {example} --minutes 25      it took 25 min of work",
            f"  calib review {example} --leave-out       nobody knows: do not learn from it",
        ]
    )


def _answer(one: Document) -> str:
    said = {"right": "it was so", "mended": f"it took {duration(one['verdict_min'])}", "wrong": "left out"}[
        one["verdict"]
    ]
    return f"-> {said}" + (f" ({one['verdict_note']})" if one["verdict_note"] else "")


def show_answer(doc: Document) -> str:
    number = doc["mark_id"]
    if doc["taken_back"]:
        return f"Question {number} is open again: {doc['sentence']}"
    return (
        f"{doc['sentence']}\n{_answer(doc)}. Take it back: calib review {number} --take-back. Learn from it: calib fit"
    )


def show_rejects(doc: Document) -> str:
    if not doc["rows"]:
        return "No row is set aside."
    lines = list(quarantine_sentences(doc["rows"]))
    return "\n".join([*lines, *(f"Written: {path}. Mend it and import it." for path in doc["files"])])


def show_backup(doc: Document) -> str:
    return f"The store is copied to {doc['backup']}. Put it back with: calib restore"


def show_restore(doc: Document) -> str:
    kept = f" The store that was there is kept as {doc['kept']}." if doc["kept"] else ""
    return f"{doc['backup']} is the store again.{kept}"
