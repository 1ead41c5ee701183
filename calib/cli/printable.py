"""Text from logs, files and names as a terminal may show it: nothing in it moves the cursor, hides or turns letters round."""

from __future__ import annotations

import re

UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\xad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ud800-\udfff]"
)  # controls (C0, C1), marks without width, marks of direction, lone surrogates; not the ends of lines and tabs


def printable(text: str) -> str:
    r"""The text with what cannot be seen spelled out.

    >>> print(printable("\x1b[2Jmex\u200b1"))
    \x1b[2Jmex\u200b1
    """
    return UNSEEN.sub(lambda match: match[0].encode("unicode_escape").decode("ascii"), text)
