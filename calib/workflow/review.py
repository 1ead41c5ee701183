"""What an import leaves to a person: rows that were set aside, listed, written out to mend, dropped; and questions about rows that look wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from calib.documents.logs import AnswerDocument, ImportDocument, ReviewDocument, RowToMend, SetAsideDocument
from calib.errors import UsageError
from calib.results import written_beside
from calib.shop.read_shop import read_shop
from calib.store.fits import find_summary
from calib.store.open_store import open_store
from calib.store.people import without_names
from calib.store.review import A_WEEK, count_review, give_verdict, list_review, take_back_verdict
from calib.store.set_aside import drop_set_aside, export_set_aside, find_set_aside_row, list_set_aside, write_rows
from calib.store.stage_questions import LETTER, NOT_DONE, NOT_WRITTEN, answer_of_stage, list_stage_questions
from calib.store.tables import columns_of
from calib.store.transaction import transaction
from calib.workflow.import_logs import at_shop, import_logs


def find_set_aside_rows(
    folder: Path,
    out: Path | None = None,
    drop: str | None = None,
    reopen: str | None = None,
    dropped: bool = False,
    overwrite: bool = False,
) -> SetAsideDocument:
    """What is open, or what was dropped; written to ``out`` where one is named.

    drop, reopen : numbers such as '3,5', or 'all'
    overwrite : whatever stands in the place of a file is replaced
    """
    with open_store(folder, read_only=not (drop or reopen)) as store:
        changed = _changed(store, drop, back=False) + _changed(store, reopen, back=True)
        rows = list_set_aside(store, state="dropped" if dropped else "open")
        files = export_set_aside(store, out, overwrite) if out and rows else []
    return {
        "rows": rows,
        "files": [str(path) for path in files],
        "changed": changed,
        "dropped": dropped,
        "at_shop": at_shop(folder),
    }


def row_set_aside(folder: Path, number: int) -> RowToMend:
    with open_store(folder, read_only=True) as store:
        return find_set_aside_row(store, number)


def mend_row(folder: Path, number: int, cells: dict[str, str]) -> ImportDocument:
    """Import one row that was set aside with other cells; it stays as a log of its own. The ``import`` document (docs/interface.md).

    Columns that are not among ``cells`` stay as they stood; one that stood in none of them is refused.
    Raises UsageError for such a column, and for a number that is not set aside.
    """
    row = row_set_aside(folder, number)
    known = {**dict.fromkeys(columns_of(row["kind"]), ""), **row["cells"]}
    if strange := sorted(set(cells) - set(known)):
        raise UsageError(f'"{strange[0]}" is no column of {row["kind"]}.', f"Known: {', '.join(known)}.")
    mended = {name: value for name, value in {**row["cells"], **cells}.items() if value != ""}
    log = folder / "logs" / f"mended-{number}.csv"
    log.parent.mkdir(exist_ok=True)
    with written_beside(log) as beside:
        write_rows(beside, [mended | {"calib_reject": str(number), "calib_reason": ""}])
    return import_logs(folder, [log])


def _changed(store: Any, named: str | None, back: bool) -> list[int]:
    if not named:
        return []
    numbers = _numbers(store, named, "dropped" if back else "open")
    changed = drop_set_aside(store, numbers, back)
    if not changed:
        raise UsageError(f'No row "{named}" is {"dropped" if back else "set aside"}.', "Their numbers: calib set-aside")
    return changed


def _numbers(store: Any, named: str, state: str) -> list[int]:
    known = {row["reject_id"] for row in list_set_aside(store, state=state)}
    if named.strip().lower() == "all":
        return sorted(known)
    try:
        return [number for part in named.split(",") if part.strip() and (number := int(part)) in known]
    except ValueError:
        raise UsageError(f'"{named}" is no list of numbers.', "Write numbers as listed, such as 3,5, or all.") from None


def find_questions(folder: Path, everything: bool = False, answered: bool = False) -> ReviewDocument:
    """This week's questions, all, or those that were answered."""
    with open_store(folder, read_only=True) as store:
        still_open, this_week = count_review(store)
        of_stages = list_stage_questions(store, answered)
        limit = None if everything or answered else max(0, A_WEEK - this_week - len(of_stages))
        questions = [*of_stages, *list_review(store, limit, answered)]
        summary = find_summary(store)
    return {
        "questions": questions,
        "open": still_open + (0 if answered else len(of_stages)),
        "answered_this_week": this_week,
        "answered": answered,
        "own_routes": summary.get("own_routes", []) if summary else [],
        "at_shop": at_shop(folder),
    }


def answer_question(
    folder: Path,
    number: str,
    verdicts: list[str],
    minutes: float | None = None,
    note: str = "",
    only_open: bool = False,
) -> AnswerDocument:
    """Keep one answer: right, mended (with ``minutes``), wrong, finished, failed, not done, not written down, or take back
    the one that was given.

    number : as listed; several questions of stages are joined by commas and get the same answer, all or none of them. The
        last is returned, with ``answers``, all of them
    only_open : an answer that was given before stays, but for one that is taken back; UsageError says which
    Raises UsageError for none or several answers, and for a question that is not there.
    """
    if len(verdicts) != 1:
        raise UsageError(
            f"Question {number} takes one answer, not {len(verdicts) or 'none'}.",
            "Say --right, --minutes MIN, --leave-out, --finished, --failed, --not-done, --not-written or --undo.",
        )
    shop, row = read_shop(folder), _row_number(number)
    with open_store(folder) as store:
        if only_open and verdicts != ["take back"]:
            _check_open(store, number)
        if row is None:
            answer = _of_a_stage(number, verdicts[0])
            with transaction(store):
                answers = [answer_of_stage(store, one.strip(), answer) for one in number.split(",")]
            return {**answers[-1], "answers": answers, "taken_back": answer is None, "at_shop": at_shop(folder)}
        if verdicts == ["take back"]:
            question = take_back_verdict(store, row)
            return {**question, "answers": [question], "taken_back": True, "at_shop": at_shop(folder)}
        kept = without_names(store, note, shop.people_names)
        question = give_verdict(store, row, verdicts[0], minutes, kept)
        return {**question, "answers": [question], "taken_back": False, "at_shop": at_shop(folder)}


def _check_open(store: Any, number: str) -> None:
    """Raises UsageError where somebody answered one of these questions before."""
    asked = {one.strip().upper() for one in number.split(",")}
    for question in (*list_stage_questions(store, True), *list_review(store, None, True)):
        if str(question["mark_id"]).upper() in asked:
            raise UsageError(
                f"Question {question['mark_id']} was answered meanwhile: {question['verdict']}.",
                "That answer stays. To change it: calib review --answered, then --undo.",
            )


def _row_number(number: str) -> int | None:
    """The number of a question of a row; None for one of a stage, or several joined by commas."""
    several = [one.strip().upper() for one in number.split(",")]
    if all(one.startswith(LETTER) and one[1:].isdecimal() for one in several):
        return None
    if len(several) > 1:
        raise UsageError(
            f'"{number}" is no list of questions of stages.',
            f"Join those of stages by commas, such as {LETTER}1,{LETTER}4; questions of rows are answered one by one.",
        )
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
