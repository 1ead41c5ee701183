"""Checks of a shop file: each problem with its line, its value, the rule, and the nearest known word."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

from calib.errors import ShopFileError

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


class Problems:
    """Collects every problem of one file, then raises them together."""

    def __init__(self, name: str, text: str) -> None:
        self.name, self.lines, self.found = name, text.splitlines(), []

    found: list[str]

    def add(self, word: str, sentence: str) -> None:
        line = line_of(word, self.lines)
        self.found.append(f"{self.name}{f' line {line}' if line else ''}: {sentence}")

    def unknown(self, entry: Mapping[str, Any], known: Iterable[str], what: str, path: tuple[str, ...]) -> None:
        known = list(known)
        for word in entry:
            if word not in known:
                near = difflib.get_close_matches(word, known, n=1)
                hint = f'did you mean "{near[0]}"?' if near else f"known: {', '.join(known[:12])}"
                place = f" in {'.'.join(path)}" if path else ""
                self.add(word, f'unknown {what} "{word}"{place}; {hint}')

    def known(
        self, entry: Mapping[str, Any], keys: Mapping[str, Any], what: str, path: tuple[str, ...]
    ) -> dict[str, Any]:
        """The entry's known keys, after reporting the others."""
        self.unknown(entry, keys, what, path)
        return {key: value for key, value in entry.items() if key in keys}

    def raise_any(self) -> None:
        if self.found:
            listed = "\n  ".join(self.found)
            raise ShopFileError(
                f"{len(self.found)} problem{'s' if len(self.found) > 1 else ''} in the shop file:\n  {listed}",
                "\nMend the lines and try again; nothing was changed.",
            )


def line_of(word: str, lines: list[str]) -> int:
    """First line that speaks of the word, from 1; 0 when none does."""
    pattern = re.compile(rf"(^|[^\w]){re.escape(word)}([^\w]|$)")
    return next((i for i, line in enumerate(lines, 1) if pattern.search(line.partition("#")[0])), 0)


def number(value: Any, span: tuple[float, float], name: str, problems: Problems, owner: Any = "") -> float:
    low, high = span
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        of = f" of {owner}" if owner else ""
        problems.add(name, f"{name}{of} is {value!r}: a number from {low:g} to {high:g} expected")
        return float(low)
    return float(value)


def text_list(value: Any, name: str, problems: Problems) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        problems.add(name, f'{name} is {value!r}: a list of words expected, e.g. ["a", "b"]')
        return ()
    return tuple(value)


def days(value: Any, problems: Problems) -> tuple[date, ...]:
    found = []
    for item in value if isinstance(value, list) else [value]:
        try:
            found.append(item if isinstance(item, date) else date.fromisoformat(str(item)))
        except ValueError:
            problems.add(str(item), f'"{item}" is not a day: YYYY-MM-DD expected')
            found.append(date(1970, 1, 1))
    return tuple(day.date() if isinstance(day, datetime) else day for day in found)


def hours(section: Any, problems: Problems) -> tuple[tuple[tuple[int, int], ...], ...] | None:
    """Spans of each weekday, in minutes of the local day; None where the file states none."""
    if section is None:
        return None
    problems.unknown(section, WEEKDAYS, "weekday", ("hours",))
    return tuple(
        tuple(span for text in section.get(day, []) if (span := _span(text, day, problems))) for day in WEEKDAYS
    )


def _span(text: Any, day: str, problems: Problems) -> tuple[int, int] | None:
    match = re.fullmatch(r"\s*(\d{1,2}):(\d{2})\s*-\s*(\d{1,2}):(\d{2})\s*", str(text))
    if match:
        first, last = int(match[1]) * 60 + int(match[2]), int(match[3]) * 60 + int(match[4])
        if 0 <= first < last <= 1440:
            return first, last
    problems.add(day, f'hours on {day}: "{text}" is not a span such as "08:00-17:00", opening before closing')
    return None
