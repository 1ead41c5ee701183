"""TOML text -> data, and the line on which each key stands (the parser of the standard library keeps none)."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from calib.errors import CalibError, ShopFileError

Path = tuple[str | int, ...]
_HEADER = re.compile(r"^\s*(\[\[?)([^\]]+)\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PIECE = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")
GREATEST = 2**63  # integers of TOML have 64 bits
DEEPEST = 20  # tables within tables; ours are three deep


def parse_toml(
    text: str, name: str = "shop.toml", kind: type[CalibError] = ShopFileError
) -> tuple[dict[str, Any], dict[Path, int]]:
    """Data of a TOML text, and path of a key or table -> line.

    Raises an error of that kind with line and column where the text is no TOML, or its numbers or its nesting have no end.

    >>> parse_toml("[shop]\\nname = 'x'\\n[[machine]]\\nid = 'a'")[1][("machine", 0, "id")]
    4
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise kind(f"{name} is not valid TOML: {error}.", "Mend that line; nothing was read.") from error
    except RecursionError as error:
        raise kind(f"{name} is nested too deeply to be read.", "Its tables are of few levels.") from error
    except ValueError as error:  # Python reads no integer of more than 4,300 digits
        raise kind(f"{name} has a number of thousands of digits.", "Mend it; nothing was read.") from error
    lines = key_lines(text)
    if fault := _without_end(data, (), lines):
        raise kind(f"{name} {fault}.", "Mend it; nothing was read.")
    return data, lines


def _without_end(value: Any, path: Path, lines: dict[Path, int]) -> str:
    """What is wrong with an integer that no program keeps, or with nesting; '' where nothing is."""
    line = line_of(lines, path)
    place = f"has on line {line} " if line else "has "
    if len(path) > DEEPEST:
        return f"{place}lists or tables nested more than {DEEPEST} deep"
    if isinstance(value, int) and not -GREATEST <= value < GREATEST:
        return f"{place}a number of {len(str(abs(value)))} digits"
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return next(filter(None, (_without_end(item, (*path, key), lines) for key, item in items)), "")


def key_lines(text: str) -> dict[Path, int]:
    """Path of every key and table -> its line; array tables are counted from 0."""
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    here: Path = ()
    for number, line in enumerate(text.splitlines(), 1):
        if header := _HEADER.match(line):
            here = _table(_pieces(header[2]), header[1] == "[[", counts)
            lines.setdefault(here, number)
        elif key := _KEY.match(line):
            lines.setdefault(here + _pieces(key[1]), number)
    return lines


def _table(pieces: Path, is_array: bool, counts: dict[Path, int]) -> Path:
    """Path of a header, with the index of every array of tables on the way."""
    here: Path = ()
    for position, piece in enumerate(pieces):
        here += (piece,)
        last = position == len(pieces) - 1
        if last and is_array:
            counts[here] = counts.get(here, -1) + 1
        if here in counts:
            here += (counts[here],)
    return here


def _pieces(dotted: str) -> Path:
    return tuple(piece.strip("\"'") for piece in _PIECE.findall(dotted))


def line_of(lines: dict[Path, int], path: Path) -> int | None:
    """Line of a path, or of the nearest table that holds it."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None
