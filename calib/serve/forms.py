"""Fields of forms as people and others fill them: bounded, visible text, whole numbers, known words."""

from __future__ import annotations

import re
import unicodedata
from pathlib import PurePosixPath, PureWindowsPath

from starlette.datastructures import FormData

from calib.errors import UsageError

LONGEST = 500
HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}  # Unicode's categories of what cannot be seen


def text_of(form: FormData, name: str, label: str, most: int = LONGEST, needed: bool = False) -> str:
    """A field's text, trimmed; UsageError where it is too long or holds what cannot be seen."""
    value = plain_text(form.get(name, ""), label, most)
    if needed and not value:
        raise UsageError(f"{label} is empty, and is needed.")
    return value


def plain_text(value: object, label: str, most: int) -> str:
    if not isinstance(value, str):
        raise UsageError(f"{label} is no text.")
    value = value.replace("\r\n", " ").replace("\n", " ").replace("\t", " ").strip()
    if len(value) > most:
        raise UsageError(f"{label} has {len(value):,} characters: at most {most} are taken.", "Write it shorter.")
    if any(unicodedata.category(letter) in HIDDEN for letter in value):
        raise UsageError(f"{label} holds characters that cannot be seen.", "Type it again by hand.")
    return value


def whole_of(form: FormData, name: str, label: str, low: int, high: int) -> int:
    value = text_of(form, name, label, needed=True)
    if not re.fullmatch(r"[0-9]{1,9}", value, re.ASCII) or not low <= int(value) <= high:
        raise UsageError(f'{label} is "{value[:40]}": a whole number from {low} to {high:,} is expected.')
    return int(value)


def word_of(form: FormData, name: str, label: str, allowed: tuple[str, ...], absent: str) -> str:
    value = text_of(form, name, label) or absent
    if value not in allowed:
        raise UsageError(f'{label} is "{value[:40]}".', f"Known: {', '.join(one for one in allowed if one)}.")
    return value


def file_name(given: str | None) -> str:
    r"""The name of a file alone, of letters that any system takes, with its ending; never a place.

    >>> file_name("../../etc/pass wd.stl"), file_name("C:\\parts\\a<b>.STL"), file_name("..")
    ('pass wd.stl', 'a_b_.STL', 'part')
    """
    name = PureWindowsPath(PurePosixPath(given or "").name).name
    name = re.sub(r"[^\w .()+-]", "_", unicodedata.normalize("NFC", name)).strip(" .")
    stem, dot, ending = name.rpartition(".")
    return (f"{stem[:80]}{dot}{ending[:10]}" if stem else name[:80]) or "part"
