"""What a weekly run says: nothing where nothing asks for a person."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from calib.report.sentences import below_floor_sentence
from calib.report.units import count

Document = Mapping[str, Any]


def show_week(doc: Document) -> str:
    """The week's sentences and where the page is; an empty text for a quiet week, so that a scheduler stays silent."""
    if doc["quiet"]:
        return ""
    return "\n".join([*_imported(doc), *_page(doc)])


def _imported(doc: Document) -> list[str]:
    lines = [str(file["error"]) for file in doc["import"]["files"] if file.get("error")]
    if doc["newly_set_aside"]:
        lines.append(
            f"{count(doc['newly_set_aside'], 'row')} newly set aside. To see them, mend them and try again: calib rejects --out to-mend"
        )
    return lines


def _page(doc: Document) -> list[str]:
    report = doc["report"]
    if report is None:
        new = sum(file.get("rows_new", 0) for file in doc["import"]["files"])
        return [f"{count(new, 'new row')} stored, no page yet: {doc['why_not']}"]
    below = [below_floor_sentence(run) for run in report["below_floor"]]
    return [*below, *report["sentences"], *report["warnings"], f"Page: {report['page']}"]
