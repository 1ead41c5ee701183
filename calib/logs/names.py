"""Names of people in texts of any script: which columns hold them, where one begins and ends, and how else it is written."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from itertools import groupby
from typing import Any

from calib.logs.trade_words import HEADINGS, folded

# Words in an operator cell that name no person.
NO_NAMES = {"crew", "team", "shift", "night", "day", "lab", "bench", "and", "the", "person", "operator", "anyone", "early", "late"}  # fmt: skip
NAME_COLUMNS = {"customer", "customer name", "client", "client name", "contact"}  # of customers, ...
# ... and of people; "name" and "by" may as well name a part or a machine
NAME_COLUMNS |= {"operator", *HEADINGS["operator"]} - {"name", "by", "nom", "par", "nombre"}
SHORTEST_WORD = 3
# Scripts in which a name stands among other letters without a blank, as the Unicode names of their letters begin.
UNSPACED = ("CJK", "HIRAGANA", "KATAKANA", "HANGUL", "THAI", "LAO", "KHMER", "MYANMAR", "TIBETAN")
# In what a log may be written that is not UTF-8; it is read as Windows-1252, and so are names in it.
READ_AS = "cp1252"
CODE_PAGES = ("utf-8", "cp1250", "cp1251", "cp1253", "cp1254", "cp1255", "cp1256", "cp1257", "cp1258", "iso8859_2",
              "iso8859_5", "iso8859_15", "koi8_r", "koi8_u", "cp437", "cp850", "cp852", "cp866", "mac_roman", "mac_latin2",
              "mac_cyrillic", "mac_greek", "mac_turkish", "shift_jis", "euc_jp", "gb18030", "big5", "euc_kr", "cp874")  # fmt: skip


def is_of_people(column: str) -> bool:
    """Whether a column of that name holds names of people."""
    return folded(column) in NAME_COLUMNS


def plain_spelling(name: str) -> str:
    """The same for a name however it is composed, spaced and written in capitals.

    >>> plain_spelling("Zoe\\u0301  ADA") == plain_spelling("zo\\u00e9 ada")
    True
    """
    return " ".join(unicodedata.normalize("NFC", name).lower().split())


def words_of(name: str) -> list[str]:
    """The words of a name that tell who it is.

    >>> words_of("Ada Quill"), words_of("night crew")
    (['Ada', 'Quill'], [])
    """
    words = word_pattern().findall(name)
    return [word for word in words if len(word) >= SHORTEST_WORD and word.lower() not in NO_NAMES]


def spellings(name: str) -> set[str]:
    """A name, and how it stands in a log of another code page that was read as Windows-1252.

    >>> "JosÃ©" in spellings("José"), spellings("Ada")
    (True, {'Ada'})
    """
    known = {name}
    for form in () if name.isascii() else ("NFC", "NFD"):
        for page in CODE_PAGES:
            with_page = _recoded(unicodedata.normalize(form, name), page)
            known |= {with_page} if len(with_page) >= SHORTEST_WORD else set()
    return known


def _recoded(name: str, page: str) -> str:
    try:
        return name.encode(page).decode(READ_AS, errors="replace")
    except UnicodeEncodeError:
        return ""


def is_unspaced(letter: str) -> bool:
    return unicodedata.name(letter, "").startswith(UNSPACED)


@cache
def _letter() -> str:
    """What belongs to a word, as a set of a pattern: letters, digits and the marks that combine with them."""
    marks = [code for code in range(0x300, 0x20000) if unicodedata.category(chr(code)).startswith("M")]
    marks += range(0xE0100, 0xE01F0)
    runs = [list(run) for _, run in groupby(enumerate(marks), key=lambda pair: pair[1] - pair[0])]
    return r"\w" + "".join(f"{chr(run[0][1])}-{chr(run[-1][1])}" for run in runs)


@cache
def word_pattern() -> re.Pattern[str]:
    """A word that may be a part of a name: it begins with a letter."""
    return re.compile(rf"[^\W\d_][{_letter()}'’\-.]*")


def name_pattern(names: Iterable[str]) -> re.Pattern[str]:
    """Any of the names as whole words, in any case, composed or not, with any blanks between its words.

    >>> bool(name_pattern(["Émile"]).search("by e\\u0301mile.")), bool(name_pattern(["Ann"]).search("Anna"))
    (True, False)
    """
    each = [_pattern(name) for name in sorted(set(names), key=len, reverse=True) if name.strip()]
    return re.compile("|".join(each) or r"(?!)", re.IGNORECASE)


def _pattern(name: str) -> str:
    name = unicodedata.normalize("NFC", name.strip())
    words = (r"\s+").join("".join(map(_any_form, word)) for word in name.split())
    before = f"(?<![{_letter()}])" if _ends_a_word(name[0]) else ""
    after = f"(?![{_letter()}])" if _ends_a_word(name[-1]) else ""
    return before + words + after


def _ends_a_word(letter: str) -> bool:
    return bool(re.match(f"[{_letter()}]", letter)) and not is_unspaced(letter)


def _any_form(letter: str) -> str:
    """A letter in either case, composed, decomposed or in between; a quote, which files of logs escape, as it is there."""
    if letter == '"':
        return r'\\?"{1,2}'
    forms = {form for each in {letter, letter.lower(), letter.upper(), letter.casefold()} for form in _composed(each)}
    return (
        f"(?:{'|'.join(sorted(map(re.escape, forms), key=len, reverse=True))})" if len(forms) > 1 else re.escape(letter)
    )


def _composed(text: str) -> Iterator[str]:
    apart = unicodedata.normalize("NFD", text)
    for place in range(len(apart) + 1):
        yield unicodedata.normalize("NFC", apart[:place]) + apart[place:]


def change_texts(value: Any, change: Callable[[str, str], str], key: str = "") -> Any:
    """A JSON value with each text in it changed; ``change`` is given the key that it stands under, and the text."""
    if isinstance(value, dict):
        return {name: change_texts(item, change, name) for name, item in value.items()}
    if isinstance(value, list):
        return [change_texts(item, change, key) for item in value]
    return change(key, value) if isinstance(value, str) else value
