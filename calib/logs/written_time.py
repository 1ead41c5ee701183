"""A text -> the moment that it says, read as people write times: 08.43 is never 8 hours and .43 of a second."""

from __future__ import annotations

import re
from datetime import datetime
from functools import cache

# A fraction behind hours or minutes is one of theirs by ISO 8601; the library takes it for one of a second.
FRACTION_OF_NO_SECOND = re.compile(r"^[\dWw-]+\D\d\d(?::?\d\d)?[.,]\d")
_TWO_DIGITS = {"%M": r"(?P<minute>\d\d)", "%S": r"\d\d"}
_LEADING = {"%H": r"\d{1,2}", "%I": r"\d{1,2}", "%d": r"\d{1,2}", "%m": r"\d{1,2}", "%Y": r"\d{4}", "%y": r"\d\d"}


def iso_moment(text: str) -> datetime | None:
    """
    >>> str(iso_moment("2026-01-05 08:43:00.5")), iso_moment("2026-01-05 08.43"), iso_moment("2026-01-05 08:43,5")
    ('2026-01-05 08:43:00.500000', None, None)
    """
    try:
        return None if FRACTION_OF_NO_SECOND.match(text) else datetime.fromisoformat(text)
    except ValueError:
        return None


def moment_in(text: str, form: str) -> datetime | None:
    """The moment that a format in the letters of strptime reads, where minutes and seconds have two digits.

    A spreadsheet cuts the last 0 of 8.40, and of 1:30 written 130 the library makes 13:00.

    >>> str(moment_in("5.1.2026 8.43", "%d.%m.%Y %H.%M")), moment_in("5.1.2026 8.4", "%d.%m.%Y %H.%M")
    ('2026-01-05 08:43:00', None)
    >>> str(moment_in("2026-01-05 843", "%Y-%m-%d %H%M")), moment_in("2026-01-05 130", "%Y-%m-%d %H%M")
    ('2026-01-05 08:43:00', None)
    """
    try:
        moment = datetime.strptime(text, form)
    except ValueError:
        return None
    if "%M" not in form:
        return moment
    written = _pattern(form).fullmatch(text)
    return moment if written and int(written["minute"]) == moment.minute else None


@cache
def _pattern(form: str) -> re.Pattern[str]:
    pieces = re.split(r"(%.)", form)
    known = _TWO_DIGITS | _LEADING | {"%%": "%"}
    named = (known.get(piece, ".+?") if piece.startswith("%") else _literal(piece) for piece in pieces)
    return re.compile("".join(named), re.IGNORECASE | re.DOTALL)


def _literal(piece: str) -> str:
    """What stands between the letters; blanks are as many as one likes, as strptime has it."""
    return r"\s+".join(re.escape(word) for word in re.split(r"\s+", piece))
