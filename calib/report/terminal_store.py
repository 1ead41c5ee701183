"""Care of the store as text: questions and answers, rows set aside, copies, checks, what was forgotten or taken back."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from shlex import quote

from calib.documents.logs import AnswerDocument, Copy, Question, ReviewDocument, SetAsideDocument, UndoDocument
from calib.documents.store import (
    BackupDocument,
    CheckDocument,
    CompanyExport,
    ExportDocument,
    ForgetDocument,
    RestoreDocument,
)
from calib.records import NEVER_ENDED, NEVER_LOGGED
from calib.report.terminal_import import own_route_lines, question_line, set_aside_sentences
from calib.report.units import count, duration


def show_review(doc: ReviewDocument) -> str:
    """The questions, how to answer one, how many wait; and routes that the logs show."""
    return "\n".join([_questions(doc), *([] if doc["answered"] else own_route_lines(doc))])


def _questions(doc: ReviewDocument) -> str:
    questions, shop = doc["questions"], doc["at_shop"]
    if doc["answered"]:
        return "\n".join(
            [f"{question_line(question)} {_answer(question)}" for question in questions]
            or ["No question was answered yet."]
        )
    if not questions and doc["open"]:
        return f"{count(doc['answered_this_week'], 'question')} answered in the last seven days, {doc['open']} more wait: calib review --all{shop}"
    if not questions:
        return "No row looks wrong."
    lines = [question_line(question) for question in questions]
    if doc["open"] > len(questions):
        lines.append(f"{doc['open'] - len(questions)} more with less effect: calib review --all{shop}")
    return "\n".join([*lines, "Answer by number, then fit again:", *_ways_to_answer(questions, shop)])


def _ways_to_answer(questions: Sequence[Question], shop: str) -> list[str]:
    """A line for each, with the first question that it fits."""
    ended = next(
        (question["mark_id"] for question in questions if question["rule"] not in (NEVER_ENDED, NEVER_LOGGED)), None
    )
    never = next((question["mark_id"] for question in questions if question["rule"] == NEVER_LOGGED), None)
    still_open = next((question["mark_id"] for question in questions if question["rule"] == NEVER_ENDED), None)
    ways = (
        (ended, "--right           it was so"),
        (ended, "--minutes 25      it took 25 min of work"),
        (ended, "--leave-out       nobody knows: do not learn from it"),
        (still_open, "--finished        it ended well, nobody knows when"),
        (still_open, "--failed          it failed and is done again"),
        (never, "--not-done        quotes leave it out, unless a hazard needs it"),
        (never, "--not-written     quotes take its time from the gaps between what is logged"),
    )
    return [f"  calib review {number}{shop} {way}" for number, way in ways if number is not None]


def _answer(question: Question) -> str:
    words = {
        "right": "it was so",
        "mended": f"it took {duration(question['verdict_min'])}",
        "wrong": "left out",
        "finished": "it was finished",
        "failed": "it failed",
        "not done": "not done here",
        "not written down": "done, not written down",
    }[question["verdict"] or ""]
    return f"-> {words}" + (f" ({question['verdict_note']})" if question["verdict_note"] else "")


def show_answer(doc: AnswerDocument) -> str:
    answers, shop = doc["answers"], doc["at_shop"]
    number, sentences = ",".join(str(one["mark_id"]) for one in answers), [one["sentence"] for one in answers]
    if doc["taken_back"]:
        return "\n".join(f"Question {one['mark_id']} is open again: {one['sentence']}" for one in answers)
    return f"{chr(10).join(sentences)}\n{_answer(doc)}. Take it back: calib review {number} --undo{shop}. Learn from it: calib fit{shop}"


def show_set_aside(doc: SetAsideDocument) -> str:
    """The rows with their numbers, what was changed, how to go on."""
    lines = [f"{count(len(doc['changed']), 'row')} changed."] if doc["changed"] else []
    rows = [list(problems) for _, problems in groupby(doc["rows"], key=lambda problem: problem["reject_id"])]
    if not rows:
        return "\n".join([*lines, "No row was dropped." if doc["dropped"] else "No row is set aside."])
    wide = max(len(str(problems[0]["reject_id"])) for problems in rows)
    sentences = set_aside_sentences(doc["rows"])
    lines += [f"{problems[0]['reject_id']:>{wide}}  {says}" for problems, says in zip(rows, sentences, strict=True)]
    if doc["files"]:
        lines.append(
            f"Written: {', '.join(doc['files'])}. Mend the values there, then: "
            f"calib import {' '.join(map(quote, doc['files']))}{doc['at_shop']}"
        )
    elif not doc["dropped"]:
        shop = doc["at_shop"]
        lines.append(
            f"Write them out to mend: calib set-aside --out to-mend{shop}. Nothing to keep: calib set-aside --drop 3,5{shop}"
        )
    return "\n".join(lines)


def show_undo(doc: UndoDocument) -> str:
    """What went, what came back."""
    done = "would be taken" if doc["dry_run"] else "was taken"
    numbers = [
        (doc["rows_taken_out"], "row", "out"),
        (
            doc["rows_put_back"],
            "corrected row",
            "put back as it was" if doc["rows_put_back"] == 1 else "put back as they were",
        ),
        (doc["rejects_taken_out"], "row set aside", "off the list"),
        (doc["rejects_opened"], "mended row", "set aside again"),
        (doc["questions_taken_out"], "question", "off the list"),
    ]
    files = ", ".join(doc["files"][:4]) + (f" and {len(doc['files']) - 4} more" if len(doc["files"]) > 4 else "")
    changes = (
        "; ".join(f"{count(number, *_rows(noun))} {what}" for number, noun, what in numbers if number)
        or "it had brought nothing"
    )
    return f"The import of {doc['imported_at']:%Y-%m-%d %H:%M} UTC ({files}) {done} back: {changes}." + (
        ""
        if doc["dry_run"]
        else f"\n{copy_line(doc['copy'])}"
        "\nImporting those files again brings it back. Learn from what is left: calib fit"
    )


def _rows(noun: str) -> tuple[str, str]:
    return noun, noun.replace("row", "rows").replace("question", "questions")


def show_check(doc: CheckDocument) -> str:
    lines = [f"{count(doc['mended'], 'problem')} mended."] if doc["mended"] else []
    if not doc["problems"]:
        return "\n".join([*lines, "The store is sound."])
    for problem in doc["problems"]:
        lines.append(f"Does not hold for {count(problem['bad'], 'row')}: {problem['check']}. {problem['mend']}")
    return "\n".join(lines)


def show_export(doc: ExportDocument) -> str:
    lines = (
        ["Written; importing these changes nothing:", *(f"  {path}" for path in doc["files"])] if doc["files"] else []
    )
    if doc["unreadable"]:
        lines.append(f"The store is damaged, and no longer gives: {', '.join(doc['unreadable'])}.")
    return "\n".join(lines)


def show_export_company(doc: CompanyExport) -> str:
    """What was sent under which name."""
    new = f"{count(len(doc['files']), 'file')} written" if doc["files"] else "Nothing has changed"
    gone = f", {len(doc['taken_away'])} taken away" if doc["taken_away"] else ""
    return f"{new}{gone}, {doc['unchanged']} as before. This lab is {doc['site']} in {doc['company']}."


def copy_line(copy: Copy | None) -> str:
    """Where the copy is that was made before, and its size."""
    return f"Copied before to {copy['path']} ({copy['mb']:g} MB); put it back with: calib restore" if copy else ""


def show_forget(doc: ForgetDocument) -> str:
    """What was done, or would be, and where the person still stands."""
    cells = count(doc["cells"], "place")
    if doc["dry_run"]:
        lines = [f"{doc['alias']} stands in {cells} of the store. Nothing is changed yet."]
        lines += [f"  {place['table']} {place['column']}: {place['cells']}" for place in doc["places"]]
    else:
        lines = [f"{doc['alias']} is forgotten: {cells} in the store, whose file was built anew."]
    if doc["backups_done"]:
        lines.append(f"Also in {', '.join(doc['backups_done'])}.")
    if doc["backups"]:
        lines += ["Not yet in these copies of the store; the same command with --backups sees to them:"]
        lines += [f"  {path}" for path in doc["backups"]]
    if doc["files"]:
        lines += [
            "The name or alias still stands in these files of the shop's folder; take it out before importing them again:"
        ]
        lines += [f"  {path}" for path in doc["files"]]
    lines += ["Not searched:", *(f"  {sentence}" for sentence in doc["not_searched"])]
    return "\n".join([*lines, "Copies elsewhere (mail, disks, paper) are yours to see to."])


def show_backup(doc: BackupDocument) -> str:
    return f"The store is copied to {doc['backup']}. Put it back with: calib restore"


def show_restore(doc: RestoreDocument) -> str:
    kept = f" The store that was there is kept as {doc['kept']}." if doc["kept"] else ""
    return f"{doc['backup']} is the store again.{kept}"
