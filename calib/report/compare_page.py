"""A comparison over quantities as one page: time for all, to the first part, and a person's time for each."""

from __future__ import annotations

from datetime import datetime
from itertools import groupby
from typing import Any

from calib.documents.compare import CompareDocument, Measure
from calib.report.base import render
from calib.report.dots import DotRow, nine_of_ten_by, page_calendar
from calib.report.quote_figures import curves
from calib.report.quote_sentences import by_reason, process_lines, zone_sentences
from calib.report.units import clock_time, count
from calib.safety import in_short

MEASURES: tuple[tuple[Measure, str, float], ...] = (
    ("lead_time_h", "Time until all are ready", 60.0),
    ("first_part_h", "Time to the first finished part", 60.0),
    ("touch_per_part_min", "A person's time for each part", 1.0),
)


def compare_page(doc: CompareDocument) -> str:
    """HTML with everything inside and no script.

    doc : the ``compare`` document (docs/interface.md) with ``first_part_h`` and ``touch_per_part_min``
    """
    return render(
        "compare_page.html",
        doc={"notes": (), "warnings": (), "shop": None, "part": "", "start": None, **doc},
        starts=clock_time(doc["start"]) if doc.get("start") else None,
        zones=zone_sentences(doc),
        lines=process_lines(doc["options"]),
        measures=[
            {"key": key, "name": name, "to_min": to_min, "chart": curves(doc, key)}
            for key, name, to_min in MEASURES
            if any(option.get(key) for option in doc["options"])
        ],
        dots=dots_views(doc),
        out=by_reason(doc.get("out") or ()),
        care=in_short(process_lines(doc["options"])),
    )


def dots_views(doc: CompareDocument) -> list[dict[str, Any]]:
    """A calendar for each quantity of which the dots are known: a row for each process."""
    start, by_quantity = doc.get("start"), groupby(doc.get("dots", ()), key=lambda row: row["quantity"])
    if not start:
        return []
    views = []
    for quantity, at_quantity in by_quantity:
        rows = []
        for row in at_quantity:
            dots = [datetime.fromisoformat(text) for text in row["ready_dots"]]
            rows.append(DotRow(row["process"], dots, label=nine_of_ten_by(dots, start)))
        views.append(
            {"caption": count(quantity, "part"), "calendar": page_calendar(rows, start, doc.get("closed_days", ()))}
        )
    return views
