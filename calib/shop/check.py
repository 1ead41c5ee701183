"""Wrong keys and values of a shop file, all in one pass, each with its line and what to write instead."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from math import isfinite
from typing import Any

from calib.errors import ShopFileError
from calib.shop.keys import Key
from calib.spelling import close_to
from calib.toml_lines import Path, line_of

SHOWN = 40


class Problems:
    """Collects sentences about one shop file, and gives back values that are good or None."""

    def __init__(self, lines: dict[Path, int], name: str) -> None:
        self.lines, self.name = lines, name
        self.found: list[tuple[int, str]] = []
        self.ids: dict[Path, str] = {}

    def add(self, path: Path, sentence: str) -> None:
        line = line_of(self.lines, path)
        place = f"line {line}, " if line else ""
        self.found.append((line or 0, f"{place}{_spoken(path, self.ids)}: {sentence}"))

    def raise_if_any(self) -> None:
        """One ShopFileError that lists every problem in the order of the file."""
        if not self.found:
            return
        listed = [text for _, text in sorted(self.found, key=lambda problem: problem[0])]
        more = [f"... and {len(listed) - SHOWN} more"] if len(listed) > SHOWN else []
        count = "1 problem" if len(listed) == 1 else f"{len(listed)} problems"
        text = "\n  ".join([f"{self.name} has {count}:", *listed[:SHOWN], *more])
        raise ShopFileError(text, "Mend these and run the command again; nothing was changed.")

    # -- one value each ----------------------------------------------------------------------------------------------

    def known_keys(self, table: Mapping[str, Any], known: Iterable[str], path: Path) -> None:
        """Every key of a table that is not known, with the nearest that is."""
        names = list(known)
        for key in table:
            if key not in names:
                near = close_to(str(key).lower(), names, cutoff=0.5)
                remedy = f'Did you mean "{near[0]}"?' if near else f"Known here: {', '.join(sorted(names)[:12])}."
                self.add((*path, key), f"unknown key. {remedy}")

    def number(self, value: Any, key: Key, path: Path) -> float | None:
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.add(path, f"{_shown(value)} is not a number. Expected {key.about}, {key.low:g} to {key.high:g}.")
            return None
        if not isfinite(value) or not key.low <= value <= key.high:
            self.add(path, f"{value:g} is out of range. Expected {key.about}, {key.low:g} to {key.high:g}.")
            return None
        if key.whole and value != int(value):
            self.add(path, f"{value:g} is not a whole number. Expected {key.about}.")
            return None
        return float(value)

    def numbers(self, table: Mapping[str, Any], keys: Iterable[Key], path: Path) -> dict[str, float]:
        """Every number of a table that is among these keys and good."""
        good = {}
        for key in keys:
            if key.name in table:
                value = self.number(table[key.name], key, (*path, key.name))
                if value is not None:
                    good[key.name] = value
        return good

    def text(self, table: Mapping[str, Any], name: str, path: Path, default: str | None = None) -> str:
        value = table.get(name, default)
        if isinstance(value, str) and value.strip() and len(value) <= 200:
            return value.strip()
        if value is None:
            self.add(path, f'"{name}" is missing. Add {name} = "..." here.')
        elif value != default:
            self.add((*path, name), f"{_shown(value)} is not a text. Expected a word or a short line in quotes.")
        return default or ""

    def flag(self, table: Mapping[str, Any], name: str, path: Path, default: bool) -> bool:
        value = table.get(name, default)
        if not isinstance(value, bool):
            self.add((*path, name), f"{_shown(value)} is neither true nor false.")
            return default
        return value

    def choice(self, value: Any, allowed: Iterable[str], path: Path) -> str | None:
        names = list(allowed)
        if isinstance(value, str) and value in names:
            return value
        near = close_to(str(value).lower(), names, cutoff=0.5)
        remedy = f'Did you mean "{near[0]}"?' if near else f"Expected one of: {', '.join(names)}."
        self.add(path, f"{_shown(value)} is not known. {remedy}")
        return None

    def texts(self, value: Any, path: Path) -> tuple[str, ...]:
        if isinstance(value, str):
            return (value,)
        if isinstance(value, list) and all(isinstance(item, str) for item in value):
            return tuple(value)
        self.add(path, f'{_shown(value)} is not a list of texts. Expected ["...", "..."].')
        return ()

    def day(self, value: Any, path: Path) -> date | None:
        if isinstance(value, date) and not isinstance(value, datetime):
            return value
        try:
            return date.fromisoformat(value)
        except (TypeError, ValueError):
            self.add(path, f"{_shown(value)} is not a day. Expected YYYY-MM-DD.")
            return None

    def table(self, value: Any, path: Path) -> dict[str, Any]:
        if isinstance(value, dict):
            return value
        self.add(path, f"{_shown(value)} is not a table. Expected a header [{path[-1]}] with keys below it.")
        return {}

    def tables(self, value: Any, path: Path) -> list[dict[str, Any]]:
        if isinstance(value, list) and all(isinstance(item, dict) for item in value):
            named = {(*path, place): item.get("id") for place, item in enumerate(value)}
            self.ids |= {place: _shown(name) for place, name in named.items() if isinstance(name, str) and name.strip()}
            return value
        self.add(path, f"expected one header [[{path[-1]}]], in double brackets, for each.")
        return []


def _shown(value: Any) -> str:
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _spoken(path: Path, ids: Mapping[Path, str]) -> str:
    """Words for a place; an entry by its id, where it has one.

    >>> _spoken(("machine", 1, "walls"), {}), _spoken(("machine", 1, "walls"), {("machine", 1): '"bed-1"'})
    ('machine 2, walls', 'machine "bed-1", walls')
    """
    words = ""
    for place, piece in enumerate(path):
        if isinstance(piece, int):
            words += f" {ids.get(path[: place + 1], piece + 1)}"
        else:
            words += f", {piece}" if words else str(piece)
    return words
