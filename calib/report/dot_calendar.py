"""Dots in half days as a picture: how twenty such jobs would come out, process by process."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from calib.documents.quote import QuoteOption
from calib.report.dots import Calendar, calendars

LEFT, RIGHT, CELL, LETTER, DOT, GAP = 48.0, 40.0, 46.0, 6.6, 5.0, 3.0  # px: a half day at least, a dot's radius ...
ACROSS = 3  # dots beside each other in a half day
MOST_COLUMNS = 16


def calendar_of(options: Sequence[QuoteOption], start: str) -> Calendar:
    """The finest calendar of at most MOST_COLUMNS columns, else the coarsest."""
    found = calendars(options, start)
    return next((one for one in found if len(one.spans) <= MOST_COLUMNS), found[-1])


def dot_picture(calendar: Calendar, names: Sequence[str]) -> dict[str, Any]:
    """Places of dots and of the columns' names [px]; names : of the rows.

    Returns width, height, radius, ``rows`` (name, y of its foot, dots as x and y), ``columns`` (x, text).
    """
    cell = max(CELL, LETTER * max(map(len, calendar.names)) + 8)
    rows, top = [], 22.0
    for name, counts in zip(names, calendar.counts, strict=True):
        foot = top + -(-max(counts) // ACROSS) * (2 * DOT + GAP) + 12
        dots = [
            {
                "x": LEFT + place * cell + 10 + nth % ACROSS * (2 * DOT + GAP),
                "y": foot - 8 - nth // ACROSS * (2 * DOT + GAP),
            }
            for place, count in enumerate(counts)
            for nth in range(count)
        ]
        rows.append({"name": name, "foot": foot, "dots": dots})
        top = foot + 6
    return {
        "width": LEFT + len(calendar.names) * cell + RIGHT,
        "height": top,
        "rows": rows,
        "columns": [{"x": LEFT + place * cell, "text": text} for place, text in enumerate(calendar.names)],
        "radius": DOT,
    }
