"""A proposed mapping as commented TOML: a reason beside each line, a question above what a person must decide."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from calib.documents.logs import MappingLine
from calib.logs.columns import plain_name

SECTIONS = {
    "": "",
    "columns": "ours = theirs; several are joined by a space",
    "start_stop": "one row for each start and stop becomes one row for each run",
    "wide": "stage = their columns of start and end, or the one of its duration",
    "formats": "%d day, %m month, %Y year, %H hour, %M minute, %S second, %I with %p hour with am and pm",
    "units": "",
    "stages": "their word = ours",
    "processes": "their word = ours",
    "words.": "their word = ours",
    "defaults": "what stands there where the log says nothing",
}
WORDS = ("stages", "processes", "words.")
IN_START_STOP = {("start_stop", key) for key in ("event", "at", "same")}
WIDEST = 60  # letters up to the comment beside a line


@dataclass(frozen=True)
class Line:
    """One line of a mapping. why : a reason; ask : a question, or ''; off : written as a comment, to be filled in"""

    section: str
    key: str
    value: Any
    why: str = ""
    ask: str = ""
    off: bool = False

    @property
    def text(self) -> str:
        key = self.key if re.fullmatch(r"[a-z_]+", self.key) else quoted(self.key)
        return f"{'# ' if self.off else ''}{key} = {quoted(self.value)}"

    @property
    def is_ours(self) -> bool:
        """Whether it only says that a column of ours is headed as we head it."""
        return isinstance(self.value, str) and plain_name(self.value) == self.key

    @property
    def columns(self) -> list[str]:
        """The file's columns that it names."""
        if self.section not in ("columns", "wide") and (self.section, self.key) not in IN_START_STOP:
            return []
        return [self.value] if isinstance(self.value, str) else list(self.value)

    @property
    def shown(self) -> MappingLine:
        """For a table: what of theirs becomes what of ours, and why."""
        value = " + ".join(map(str, self.value)) if isinstance(self.value, list) else str(self.value)
        ours, theirs = (value, self.key) if self.section.startswith(WORDS) else (self.key, value)
        return {"table": self.section, "ours": ours, "theirs": theirs, "why": self.why}

    @property
    def reason(self) -> str:
        """As a sentence for the terminal."""
        return f"{self.text}: {self.why}"


def as_toml(
    name: str, kind: str, lines: Sequence[Line], unused: Sequence[str], free: Sequence[str], notes: Iterable[str]
) -> str:
    """The mapping of file ``name`` as text: how many questions it has, then its tables."""
    questions = sum(bool(line.ask) for line in lines)
    text = [
        f"# How {printable(name)} becomes a log of {kind}: a proposal. Look at every line; what is wrong is yours to change."
    ]
    text += [f"# {printable(note[:1].upper() + note[1:])}." for note in notes]
    if questions:
        text.append(f"# {questions} to decide first, marked with '?'; the lines below them are guesses.")
    for section, title in SECTIONS.items():
        mine = [
            line
            for line in lines
            if line.section == section or (section == "words." and line.section.startswith(section))
        ]
        for header, group in groupby(mine, key=lambda line: line.section):
            text += ["", f"[{header}]" + (f"  # {title}" if title else "")] if header else [""]
            text += _section(list(group))
        if section == "columns":
            text += _columns_left(unused, free, bool(mine))
    return "\n".join(text) + "\n"


def _columns_left(unused: Sequence[str], free: Sequence[str], has_table: bool) -> list[str]:
    if not unused:
        return []
    head = [] if has_table else ["", f"[columns]  # {SECTIONS['columns']}"]
    return [
        *head,
        f"# Not used, kept as they are: {', '.join(map(quoted, unused))}",
        f"# Ours that are free: {', '.join(free)}",
    ]


def _section(lines: list[Line]) -> list[str]:
    wide = max((len(line.text) for line in lines if len(line.text) <= WIDEST), default=0)
    text = []
    for line in lines:
        text += [f"# ? {printable(line.ask)}"] if line.ask else []
        text.append(f"{line.text:<{wide}}  # {printable(line.why)}" if line.why else line.text)
    return text


def printable(text: str) -> str:
    """A comment is one line, whatever stood in a cell.

    >>> printable("two\\nlines")
    'two?lines'
    """
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def quoted(value: Any) -> str:
    """A value as TOML has it, which is as JSON has it.

    >>> quoted("Größe"), quoted(["a", "b"]), quoted(True)
    ('"Größe"', '["a", "b"]', 'true')
    """
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
