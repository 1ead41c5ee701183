"""What a weekly run says: nothing where nothing asks for a person."""

from __future__ import annotations

from calib.documents.week import WeekDocument
from calib.report.promise_lines import promise_lines
from calib.report.sentences import below_floor_cautions, below_floor_sentence
from calib.report.terminal_import import next_lines
from calib.report.terminal_store import copy_line
from calib.report.units import count


def show_week(doc: WeekDocument) -> str:
    """The week's sentences, where the page is and the next steps.

    Of a quiet week nothing, so that a scheduler stays silent, or one line where rows wait for their build.
    """
    if doc["quiet"]:
        return "\n".join(_held(doc))
    steps = doc["next_steps"]
    copy = doc["import"]["copy"]
    copied = [copy_line(copy)] if copy else []
    return "\n".join([*_imported(doc), *_page(doc), *copied, *(next_lines(steps) if steps else [])])


def _imported(doc: WeekDocument) -> list[str]:
    unread = [file for file in doc["import"]["files"] if file.get("error")]
    lines = [f"Not read: {file['error']} {'' if file['is_unknown'] else file['hint']}".rstrip() for file in unread]
    aside = [f"{count(doc['newly_set_aside'], 'row')} newly set aside."] if doc["newly_set_aside"] else []
    return lines + aside + _held(doc)


def _held(doc: WeekDocument) -> list[str]:
    rows = doc["newly_held"]
    return (
        [f"{count(rows, 'row')} came that {'waits' if rows == 1 else 'wait'} for a build or order no log has yet."]
        if rows
        else []
    )


def _page(doc: WeekDocument) -> list[str]:
    report = doc["report"]
    if report is None:
        new = sum(file.get("rows_new", 0) for file in doc["import"]["files"])
        return [f"{count(new, 'new row')} stored, no page yet: {doc['why_not']}"]
    below = [below_floor_sentence(run) for run in report["below_floor"]]
    below += below_floor_cautions(report["below_floor"])
    return [
        *below,
        *promise_lines(report["open_promises"]),
        *report["sentences"],
        *report["warnings"],
        f"Page: {report['page']}",
    ]
