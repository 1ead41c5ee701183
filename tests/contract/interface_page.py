"""docs/interface.md read as tables, so that tests ask the program for what the page promises."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

PAGE = (Path(__file__).parents[2] / "docs" / "interface.md").read_text(encoding="utf-8")
SPARSE = ("layers[]", "plan[].items", "stages[].creeps")  # of which the page says when they are there


def table_below(text: str) -> list[list[str]]:
    """Cells of the first table after a text of the page, without its head."""
    rows = []
    for line in PAGE[PAGE.index(text) + len(text) :].lstrip("\n").split("\n"):
        if line.startswith("|"):
            rows.append([cell.strip() for cell in line.strip("|").split("|")])
        elif rows:
            break
    return rows[2:]


def names_below(text: str) -> list[str]:
    """The first column of that table, without its marks."""
    return [row[0].strip("`") for row in table_below(text)]


def words_after(text: str) -> tuple[str, ...]:
    """The words in marks from a text up to the end of its sentence."""
    sentence = re.split(r"\.\s", PAGE[PAGE.index(text) + len(text) :], maxsplit=1)[0]
    return tuple(re.findall(r"`(\w+)`", sentence))


def missing_keys(command: str, document: dict[str, Any]) -> list[str]:
    """Keys that the page promises for this command's document and that it lacks."""
    promised = [key for key in names_below(f"### `calib {command}`") if not any(part in key for part in SPARSE)]
    return [key for key in promised if not all(is_there(key.split("."), document))]


def is_there(steps: list[str], value: Any) -> Iterator[bool]:
    """For each place that a path of keys leads to: whether it is there; nothing lies beyond null."""
    name, rest = steps[0].removesuffix("[]"), steps[1:]
    if value is None:
        return
    if name not in value:
        yield False
        return
    yield True
    if rest:
        for inner in value[name] if steps[0].endswith("[]") else [value[name]]:
            yield from is_there(rest, inner)
