"""JSON lines (one object a line), or one JSON array of objects -> rows of text."""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator
from typing import Any

from calib.errors import LogFileError
from calib.logs.source import check_width
from calib.logs.text_file import Row
from calib.logs.words import library_says

ARRAY_LIMIT = 1 << 28  # bytes of a file that is one array: it is read at once


def json_rows(shown: str, stream: io.BufferedIOBase) -> tuple[list[str], list[Row]]:
    """Column names in order of appearance, and the rows; a line that is no object is a row with a fault.

    Raises LogFileError where there is no object at all, and for an array that is no JSON.
    """
    objects = list(_objects(shown, stream))
    names: dict[str, None] = {}
    for _, value, fault in objects:
        names.update({} if fault else dict.fromkeys(value))
        check_width(shown, names)
    if not names:
        raise LogFileError(f"{shown} holds no JSON object.", 'Write one object a line: {"build_id": "B1", ...}.')
    return list(names), [Row(line, _cells(value, names, fault), fault) for line, value, fault in objects]


def _cells(value: Any, names: Iterable[str], fault: str) -> list[str]:
    """What is no object stands in the first column as it is."""
    if fault:
        return [str(value)[:1000], *[""] * (len(list(names)) - 1)]
    return [_text(value.get(name)) for name in names]


def _objects(shown: str, stream: io.BufferedIOBase) -> Iterator[tuple[int, Any, str]]:
    text = io.TextIOWrapper(stream, encoding="utf-8-sig", errors="replace")  # type: ignore[type-var]
    first = text.readline()
    if first.lstrip().startswith("["):
        yield from _array(shown, first + text.read(ARRAY_LIMIT))
    else:
        for number, line in enumerate([first, *text], 1):
            if line.strip():
                yield number, *_object(line)
    text.detach()  # the file is closed by whoever opened it


def _object(line: str) -> tuple[Any, str]:
    try:
        value = _loads(line)
    except (ValueError, RecursionError):
        value = None
    return (value, "") if isinstance(value, dict) else (line.strip(), "is no JSON object")


def _array(shown: str, text: str) -> Iterator[tuple[int, Any, str]]:
    try:
        values = _loads(text)
    except (ValueError, RecursionError) as error:
        says = "it is nested too deep" if isinstance(error, RecursionError) else library_says(error)
        raise LogFileError(f"{shown} is no JSON: {says}.", "Write one object a line, or one array.") from error
    for number, value in enumerate(values, 1):
        yield number, value, "" if isinstance(value, dict) else "is no JSON object"


def _loads(text: str) -> Any:
    r"""What JSON says; half a letter (a lone surrogate), which no store holds, is a question mark.

    >>> _loads('{"a": "1\\ud800", "b": "\\ud83d\\ude00"}')
    {'a': '1?', 'b': '😀'}
    """
    value = json.loads(text)
    if "\\ud" in text or "\\uD" in text:
        return json.loads(json.dumps(value, ensure_ascii=False).encode("utf-8", "replace"))
    return value


def _text(value: Any) -> str:
    """
    >>> _text(None), _text(True), _text(2.0), _text({"a": 1})
    ('', 'true', '2', '{"a": 1}')
    """
    if value is None:
        return ""
    if isinstance(value, str):
        return value.replace("\x00", "")
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return json.dumps(value, ensure_ascii=False)
