"""Texts that a spreadsheet would take for a formula: an apostrophe in front on the way out, taken off on the way in."""

from __future__ import annotations

import re

FORMULA = r"^'*[=+@\t\r-]"  # the pattern is understood by the engine as well
NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"


def harmless(text: str | None) -> str:
    """A text as a cell or a heading that no spreadsheet runs; a number stays as it is.

    >>> harmless("=1+1"), harmless("-5"), harmless("-5+A1"), harmless("'=1"), harmless(None)
    ("'=1+1", '-5', "'-5+A1", "''=1", '')
    """
    if not text:
        return ""
    return "'" + text if re.match(FORMULA, text) and not re.match(NUMBER, text) else text


def as_written(text: str) -> str:
    """The text that ``harmless`` was given.

    >>> as_written("'=1+1"), as_written("'tis")
    ('=1+1', "'tis")
    """
    return text[1:] if re.match(r"^''*[=+@\t\r-]", text) else text
