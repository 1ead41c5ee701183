"""Names that are the same but for case, blanks, hyphens and underscores, and known names that are near to one."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable


def spelled_alike(word: str, known: Iterable[str]) -> str | None:
    """The known name that a word is: the word itself, or the only one apart by case, blanks, hyphens or underscores.

    >>> spelled_alike("PA 12", ["pa12", "pla"]), spelled_alike("PA13", ["pa12"]), spelled_alike("pa-12", ["pa12", "PA 12"])
    ('pa12', None, None)
    """
    same = by_spelling(known).get(plain(word), [])
    return word if word in same else same[0] if len(same) == 1 else None


def by_spelling(known: Iterable[str]) -> dict[str, list[str]]:
    """Names under what each comes down to: where many are looked up among many."""
    found: dict[str, list[str]] = {}
    for name in dict.fromkeys(known):
        found.setdefault(plain(name), []).append(name)
    return found


def plain(word: str) -> str:
    """What a name comes down to: wide and joined letters as usual ones, nothing that cannot be seen.

    >>> plain("PA\uff11\uff12 ") == plain("pa\u200b-12")
    True
    """
    if not word.isascii():
        word = "".join(one for one in unicodedata.normalize("NFKC", word) if unicodedata.category(one) != "Cf")
    return re.sub(r"[\s_\u2010-\u2015-]+", "", word).casefold()


def close_to(word: str, known: Iterable[str], most: int = 1, cutoff: float = 0.6) -> list[str]:
    """Up to so many known words that look most like this one, the nearest first.

    cutoff : least likeness, 0 to 1, as ``difflib`` measures it
    """
    from difflib import get_close_matches

    return get_close_matches(word, list(known), n=most, cutoff=cutoff)


def nearest(word: str, known: Iterable[str]) -> list[str]:
    """Up to three known words that look like this one, the nearest first; case, blanks and hyphens do not count.

    >>> nearest("PLA plus", ["pla-plus", "petg"]), nearest("resni", ["Resin"])
    (['pla-plus'], ['Resin'])
    """
    spelled, sought = {plain(name): name for name in known}, plain(word)
    return [spelled[name] for name in ([sought] if sought in spelled else close_to(sought, spelled, most=3))]


def did_you_mean(word: object, known: Iterable[str]) -> str:
    """The end of a sentence about a word that is none of the known ones.

    >>> did_you_mean("colums", ["columns", "units"]), did_you_mean("x", ["columns"])
    ('; did you mean columns?', '')
    """
    lower = {name.lower(): name for name in known}
    near = nearest(str(word), lower)
    return f"; did you mean {lower[near[0]]}?" if near else ""
