"""What a cell looks like, whatever its column is called: a number, a time of day, a day, a stamp, a duration, a code, text."""

from __future__ import annotations

import re

DAY = r"(?:\d{1,4}([./-])\d{1,2}\1\d{1,4}|\d{1,2}\.? ?[^\W\d_]{3,10}\.?,? ?\d{2,4}|[^\W\d_]{3,10}\.? \d{1,2},? \d{4})"
CLOCK = r"\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?(?: ?[ap]\.?m\.?)?"
UNIT_LETTERS = r"d|h|hrs?|hours?|std|stunden?|heures?|horas?|min|mins|minutes?|minuten|minutos?|m|s|sec|sek|seg"
SHAPES: tuple[tuple[str, re.Pattern[str]], ...] = tuple(
    (shape, re.compile(pattern, re.IGNORECASE))
    for shape, pattern in (
        ("day", DAY),
        ("stamp", rf"{DAY},?[T ]+{CLOCK} ?(?:Z|UTC|[+-]\d\d:?\d\d)?"),
        ("clock", rf"\d{{1,3}}:\d\d(?::\d\d)?|{CLOCK}"),
        ("number", r"[+-]?\d[\d.,' \u00a0]*%?|[+-]?[.,]\d+"),
        ("duration", rf"(?:\d+(?:[.,]\d+)? ?(?:{UNIT_LETTERS})\b\.? ?)+(?:\d+|[,;(].*)?"),
        ("code", r"(?=\S*\d)\S+"),
    )
)
VALUES = frozenset({"day", "stamp", "clock", "number", "duration"})  # no header has such a cell, rows have them


def shape_of(text: str) -> str:
    """The name of a cell's shape; '' where it is empty.

    >>> [shape_of(cell) for cell in ("3.5", "1:35", "05.01.2026", "2026-01-05T08:30Z", "45 min", "B-17", "Wash", " ")]
    ['number', 'clock', 'day', 'stamp', 'duration', 'code', 'text', '']
    """
    text = text.strip()
    if not text:
        return ""
    return next((shape for shape, pattern in SHAPES if pattern.fullmatch(text)), "text")
