"""Other people's columns, units, formats and words -> ours, as a mapping file (TOML) says. Nothing here is a guess."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime

from calib.logs.columns import KINDS, Column, plain_name
from calib.logs.local_time import to_utc
from calib.logs.reshape import StartStop, Wide, runs_of_events, runs_of_wide
from calib.logs.text_file import Row

# Factor from a unit to the one that our column's name ends in.
UNITS: dict[str, dict[str, float]] = {
    "min": {"min": 1, "h": 60, "s": 1 / 60, "d": 1440},
    "s": {"s": 1, "ms": 0.001, "min": 60},
    "mm": {"mm": 1, "um": 0.001, "cm": 10, "m": 1000, "in": 25.4},
    "cm2": {"cm2": 1, "mm2": 0.01, "m2": 1e4, "in2": 6.4516},
    "cm3": {"cm3": 1, "ml": 1, "mm3": 0.001, "l": 1000, "in3": 16.387064},
    "g": {"g": 1, "kg": 1000, "mg": 0.001, "lb": 453.59237, "oz": 28.349523125},
    "ml": {"ml": 1, "l": 1000, "cm3": 1},
    "share": {"1": 1, "%": 0.01},
}
CLOCK, WORDS = "h:mm", "words"  # '2:40' is two hours and forty minutes; '2 h 40 min' or '45 min'
_PIECE = re.compile(r"([\d.]+)\s*(d|h|min|m|s)\b", re.IGNORECASE)


@dataclass
class Mapping:
    """columns : our name -> their names, joined by a space when several
    formats : our name -> format of its times or days, in the letters of strptime
    units : our name -> unit in the log
    words : our name -> their word -> ours; stages and processes as well
    defaults : our name -> what stands there when the log says nothing
    decimal : decimal mark of numbers, ',' or '.'; the other one parts thousands
    zone : IANA zone of stamps without offset, where it is not the shop's
    """

    kind: str | None = None
    sheet: str | None = None
    columns: dict[str, tuple[str, ...]] = field(default_factory=dict)
    formats: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    words: dict[str, dict[str, str]] = field(default_factory=dict)
    defaults: dict[str, str] = field(default_factory=dict)
    decimal: str = "."
    zone: str | None = None
    start_stop: StartStop | None = None
    wide: Wide | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def source_names(self) -> frozenset[str]:
        theirs = {name for names in self.columns.values() for name in names}
        theirs |= set(self.start_stop.names) if self.start_stop else set()
        return frozenset(theirs | (set(self.wide.names) if self.wide else set()))

    def apply(self, shown: str, names: tuple[str, ...], found: Iterable[Row]) -> tuple[tuple[str, ...], Iterable[Row]]:
        """Names and rows of a file in our columns; a column that the mapping does not name is kept as it is."""
        spelled = {plain_name(name): name for name in self.source_names}
        names = tuple(name if name in self.source_names else spelled.get(plain_name(name), name) for name in names)
        missing = sorted(self.source_names - set(names))
        self.notes[:] = [f"the mapping names columns that are not there: {', '.join(missing)}"] if missing else []
        if self.start_stop:
            names, found = runs_of_events(self.start_stop, names, found, self._stamp)
        if self.wide:
            names, found = runs_of_wide(self.wide, names, found)
        used = {name for theirs in self.columns.values() for name in theirs}
        ours = [name for name, theirs in self.columns.items() if any(one in names for one in theirs)]
        ours += [name for name in self.defaults if name not in ours and name not in names]
        kept = [name for name in names if name not in used and name not in ours]
        return (*ours, *kept), self._rows(names, ours, kept, found)

    def _rows(self, names: tuple[str, ...], ours: list[str], kept: list[str], found: Iterable[Row]) -> Iterator[Row]:
        place = {name: number for number, name in enumerate(names)}
        typed = {column.name: column for columns in KINDS.values() for column in columns}
        for row in found:
            cells = [self._cell(name, typed.get(name, Column(name)), row, place) for name in ours]
            others = [self._cell_of(name, typed.get(name, Column(name)), row.cells[place[name]]) for name in kept]
            yield Row(row.line, cells + others, row.fault)

    def _cell(self, name: str, column: Column, row: Row, place: dict[str, int]) -> str:
        texts = [row.cells[place[theirs]].strip() for theirs in self.columns.get(name, ()) if theirs in place]
        text = " ".join(text for text in texts if text)
        if texts and not all(texts) and column.kind == "stamp":
            text = ""  # a day without its time, or a time without its day, is no stamp
        return self._cell_of(name, column, text)

    def _cell_of(self, name: str, column: Column, text: str) -> str:
        if not text.strip():
            return self.defaults.get(name, "")
        if name in self.words:
            return self.words[name].get(text, self.words[name].get(text.lower(), text))
        match column.kind:
            case "stamp":
                return self._stamp(text, name)
            case "date":
                moment = _parsed(text, self.formats.get(name))
                return moment.date().isoformat() if moment else text
            case "number":
                return self._number(name, text)
        return text

    def _stamp(self, text: str, name: str = "at") -> str:
        """The stamp as ISO 8601; in UTC where the mapping names a zone. What cannot be read stays, for the rules."""
        moment = _parsed(text, self.formats.get(name))
        if moment is None:
            return text
        if self.zone and moment.tzinfo is None:
            return to_utc(moment, self.zone).isoformat() + "Z"
        return moment.isoformat()

    def _number(self, name: str, text: str) -> str:
        unit = self.units.get(name)
        if unit in (CLOCK, WORDS):
            minutes = clock_minutes(text) if unit == CLOCK else worded_minutes(text)
            return text if minutes is None else f"{minutes:.10g}"
        other = "." if self.decimal == "," else ","
        plain = (
            text.replace(other, "").replace(" ", "").replace("\u00a0", "").replace("'", "").replace(self.decimal, ".")
        )
        plain = plain.removesuffix(unit or "%")
        try:
            value = float(plain)
        except ValueError:
            return text
        return repr(value * factor(name, unit)) if unit else plain


def dimension(name: str) -> str:
    """What our column's name ends in, as UNITS has it.

    >>> dimension("work_min"), dimension("fresh_share"), dimension("parts")
    ('min', 'share', '')
    """
    ending = name.rpartition("_")[2]
    return ending if ending in UNITS else "share" if name == "infill" else ""


def factor(name: str, unit: str | None) -> float:
    return UNITS[dimension(name)][unit] if unit else 1.0


def clock_minutes(text: str) -> float | None:
    """
    >>> clock_minutes("2:40"), clock_minutes("1:30:30"), clock_minutes("x")
    (160.0, 90.5, None)
    """
    parts = text.strip().split(":")
    if len(parts) not in (2, 3) or not all(part.isdigit() for part in parts):
        return None
    hours, minutes, seconds = (*map(int, parts), 0)[:3]
    return hours * 60 + minutes + seconds / 60


def worded_minutes(text: str) -> float | None:
    """
    >>> worded_minutes("2 h 40 min"), worded_minutes("45 min, Tuesday"), worded_minutes("soon")
    (160.0, 45.0, None)
    """
    factors = {"d": 1440, "h": 60, "min": 1, "m": 1, "s": 1 / 60}
    pieces = _PIECE.findall(text.replace(",", ".", 1) if re.search(r"\d,\d", text) else text)
    try:
        return sum(float(number) * factors[unit.lower()] for number, unit in pieces) if pieces else None
    except ValueError:
        return None


def _parsed(text: str, form: str | None) -> datetime | None:
    try:
        return datetime.strptime(text.strip(), form) if form else datetime.fromisoformat(text.strip())
    except ValueError:
        return None
