"""Forms as they are sent: read within bounds, refused without our token; bounded, visible text, whole numbers, known words."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import PurePosixPath, PureWindowsPath

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from calib.errors import UsageError
from calib.serve.guard import FORM_BYTES, Refused
from calib.serve.pages import session_of, site_of

LONGEST = 500
HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}  # Unicode's categories of what cannot be seen


def text_of(form: FormData, name: str, label: str, most: int = LONGEST, needed: bool = False) -> str:
    """A field's text, trimmed. Raises UsageError where it is too long or holds what cannot be seen."""
    value = plain_text(form.get(name, ""), label, most)
    if needed and not value:
        raise UsageError(f"{label} is empty, and is needed.")
    return value


def plain_text(value: object, label: str, most: int) -> str:
    """Visible text, trimmed. Raises UsageError where it is none, too long, or holds what cannot be seen."""
    if not isinstance(value, str):
        raise UsageError(f"{label} is no text.")
    value = value.replace("\r\n", " ").replace("\n", " ").replace("\t", " ").strip()
    if len(value) > most:
        raise UsageError(f"{label} has {len(value):,} characters: at most {most} are taken.", "Write it shorter.")
    if any(unicodedata.category(letter) in HIDDEN for letter in value):
        raise UsageError(f"{label} holds characters that cannot be seen.", "Type it again by hand.")
    return value


def seen_of(value: object, most: int) -> str:
    """What can be seen of a text, as far as it fits: for words beside something that must not be lost with them.

    >>> seen_of("lamp\\u202e\\x00 broke", 300), seen_of("abc", 2), seen_of(None, 9)
    ('lamp broke', 'ab', '')
    """
    if not isinstance(value, str):
        return ""
    spaced = re.sub(r"\s+", " ", value)
    return "".join(letter for letter in spaced if unicodedata.category(letter) not in HIDDEN).strip()[:most]


def whole_of(form: FormData, name: str, label: str, low: int, high: int) -> int:
    """A whole number from low to high. Raises UsageError for anything else."""
    value = text_of(form, name, label, needed=True)
    if not re.fullmatch(r"[0-9]{1,9}", value, re.ASCII) or not low <= int(value) <= high:
        raise UsageError(f'{label} is "{value[:40]}": a whole number from {low} to {high:,} is expected.')
    return int(value)


def word_of(form: FormData, name: str, label: str, allowed: tuple[str, ...], absent: str) -> str:
    """One of the allowed words, ``absent`` where the field is empty. Raises UsageError for another."""
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


MOST_FIELDS, MOST_FILES = 1000, 20


@asynccontextmanager
async def sent_form(request: Request) -> AsyncIterator[FormData]:
    """The fields of a form; its uploaded files are gone afterwards. Raises Refused without the token."""
    async with request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS, max_part_size=FORM_BYTES) as form:
        token = form.get("token", "")
        if not isinstance(token, str) or not site_of(request).access.is_token(session_of(request), token):
            raise Refused(
                403, "This form is not from a page of ours, or too old. Open the page again and send it anew."
            )
        yield form


async def after_work(request: Request, work: Callable[[], str]) -> Response:
    """Stand in line with some work, and go to its answer, or to the place where to wait for it."""
    line = site_of(request).line
    return RedirectResponse(await line.soon(line.add(session_of(request).name, work)), 303)
