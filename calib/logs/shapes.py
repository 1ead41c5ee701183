"""What a cell looks like, whatever its column is called: a number, a time of day, a day, a stamp, a duration, a code, text."""

from __future__ import annotations

import re
from collections.abc import Sequence

from calib.calendar.written_time import DAY_NUMBER, is_day_number, moment_in

DAY = r"(?:\d{1,4}([./-])\d{1,2}\1\d{1,4}|\d{1,2}\.? ?[^\W\d_]{3,10}\.?,? ?\d{2,4}|[^\W\d_]{3,10}\.? \d{1,2},? \d{4})"
CLOCK = r"\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?(?: ?[ap]\.?m\.?)?"
UNITS_OF_TIME: dict[str, float] = {  # as they stand behind a number, in minutes
    **dict.fromkeys(("days", "day", "d", "tage", "tag", "jours", "jour", "días", "día"), 1440.0),
    **dict.fromkeys(
        ("hours", "hour", "hrs", "hr", "h", "stunden", "stunde", "std", "heures", "heure", "horas", "hora"), 60.0
    ),
    **dict.fromkeys(("minutes", "minute", "minuten", "minutos", "minuto", "mins", "min", "m"), 1.0),
    **dict.fromkeys(
        ("seconds", "second", "secs", "sec", "s", "sekunden", "sek", "secondes", "segundos", "seg"), 1 / 60
    ),
}
# A time of day where a day stands beside it and the heading says so; else 8.43 is a number and 8h43 a duration.
BARE_CLOCK = re.compile(
    r"(?:[01]?\d|2[0-3])(?:(?:(?: ?[.,:h] ?)?[0-5]\d|[.,][0-5])(?: ?(?:h|Uhr))?| ?(?:h|Uhr))", re.IGNORECASE
)
WHOLE_HOUR = re.compile(r"[01]?\d|2[0-3]")  # among bare times of day
PIECE = (
    rf"(?P<number>\d+(?:[.,]\d+)?)\s*(?P<unit>{'|'.join(sorted(UNITS_OF_TIME, key=len, reverse=True))})(?![^\W\d_])\.?"
)
_PIECES = re.compile(PIECE, re.IGNORECASE)
_MINUTES_AFTER = re.compile(r"\s*(\d{1,2})(?![\w.,:])")
SHAPES: tuple[tuple[str, re.Pattern[str]], ...] = tuple(
    (shape, re.compile(pattern, re.IGNORECASE))
    for shape, pattern in (
        ("day", DAY),
        ("stamp", rf"{DAY},?[T ]+{CLOCK} ?(?:Z|UTC|[+-]\d\d:?\d\d)?"),
        ("clock", rf"\d{{1,3}}:\d\d(?::\d\d)?|{CLOCK}"),
        ("number", r"[+-]?\d[\d.,' \u00a0]*%?|[+-]?[.,]\d+"),
        ("duration", rf"(?:{re.sub('[?]P<[a-z]+>', '?:', PIECE)}\s*)+(?:\d{{1,2}})?(?:[,;(].*)?"),
        ("code", r"(?=\S*\d)\S+"),
    )
)
_DAY_OF_STAMP = re.compile(rf",?[T ]+{CLOCK}.*$", re.IGNORECASE)
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


def is_bare_clock(text: str) -> bool:
    """Whether it can be a time of day as people write it without a colon; 8.4 may be 8.40 after a spreadsheet.

    >>> [is_bare_clock(cell) for cell in ("08.43", "8,43", "8h43", "0843", "8.43 Uhr", "8 Uhr", "8.4", "8.75", "45")]
    [True, True, True, True, True, True, True, False, False]
    """
    return len(text) > 2 and BARE_CLOCK.fullmatch(text.strip()) is not None


def is_whole_hour(text: str) -> bool:
    return WHOLE_HOUR.fullmatch(text) is not None


def joined_time(texts: Sequence[str]) -> str:
    """Cells of one stamp joined by a space: where a time of day ends them, a stamp before it says only the day.

    >>> joined_time(["2026-01-05T07:00:00", "08.43"]), joined_time(["2026-01-05T07:00", "+01:00"])
    ('2026-01-05 08.43', '2026-01-05T07:00 +01:00')
    >>> joined_time(["46027", "8:43"])
    '2026-01-05 8:43'
    """
    *days, last = texts
    if shape_of(last) == "clock" or is_bare_clock(last):
        days = list(map(_day_of, days))
    return " ".join([*days, last])


def _day_of(text: str) -> str:
    if is_day_number(text):
        return f"{moment_in(text, DAY_NUMBER):%Y-%m-%d}"
    return _DAY_OF_STAMP.sub("", text) if shape_of(text) == "stamp" else text


def clock_minutes(text: str) -> float | None:
    """
    >>> clock_minutes("2:40"), clock_minutes("1:30:30"), clock_minutes("x")
    (160.0, 90.5, None)
    """
    parts = text.strip().split(":")
    if len(parts) not in (2, 3) or not all(part.isdecimal() and len(part) < 9 for part in parts):
        return None
    hours, minutes, seconds = (*map(int, parts), 0)[:3]
    return hours * 60 + minutes + seconds / 60


def worded_minutes(text: str) -> float | None:
    """
    >>> worded_minutes("2 h 40 min"), worded_minutes("45 min, Tuesday"), worded_minutes("1h35"), worded_minutes("1,5 Std.")
    (160.0, 45.0, 95.0, 90.0)
    >>> worded_minutes("soon"), worded_minutes("-20 min")
    (None, None)
    """
    pieces = list(_PIECES.finditer(text))
    if not pieces or text.strip().startswith(("-", "\N{MINUS SIGN}")):
        return None
    minutes = sum(float(piece["number"].replace(",", ".")) * UNITS_OF_TIME[piece["unit"].lower()] for piece in pieces)
    after = _MINUTES_AFTER.match(text, pieces[-1].end()) if pieces[-1]["unit"].lower().startswith("h") else None
    return minutes + (int(after[1]) if after else 0)
