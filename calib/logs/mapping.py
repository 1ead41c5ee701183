"""Other people's columns, units, formats and words -> ours, as a mapping file (TOML) says. Nothing here is a guess."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cache

from calib.calendar.local_time import to_utc
from calib.calendar.written_time import iso_moment, moment_in
from calib.logs.columns import KINDS, Column, plain_name
from calib.logs.reshape import StartStop, Wide, runs_of_events, runs_of_wide
from calib.logs.shapes import clock_minutes, joined_time, worded_minutes
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
# A comma or a point parts thousands only before three digits.
THOUSANDS = {mark: re.compile(rf"^\D*[1-9]\d{{0,2}}(?:\{mark}\d{{3}})+(?!\d)") for mark in ",."}
# '2:40' is two hours and forty minutes, or two minutes and forty seconds; '2 h 40 min' or '45 min'.
CLOCK, MINUTES_SECONDS, WORDS = "h:mm", "min:s", "words"


@dataclass
class Mapping:
    """name : of its file
    columns : our name -> their names, joined by a space when several
    formats : our name -> formats of its times or days, in the letters of strptime; ISO 8601 is read in any case
    units : our name -> unit in the log; in a sheet with a column for each stage also stage -> unit
    words : our name -> their word in small letters -> ours; stages and processes as well
    defaults : our name -> what stands there when the log says nothing
    decimal : decimal mark of numbers, ',' or '.'; the other one parts thousands
    zone : IANA zone of stamps without offset, where it is not the shop's
    overnight : an end before its start is on the next day
    skip : how rows begin that are none of a log, in their first filled cell: weeks, sums
    """

    name: str = ""
    kind: str | None = None
    sheet: str | None = None
    columns: dict[str, tuple[str, ...]] = field(default_factory=dict)
    formats: dict[str, tuple[str, ...]] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    words: dict[str, dict[str, str]] = field(default_factory=dict)
    defaults: dict[str, str] = field(default_factory=dict)
    decimal: str = "."
    zone: str | None = None
    overnight: bool = False
    skip: tuple[str, ...] = ()
    start_stop: StartStop | None = None
    wide: Wide | None = None

    @property
    def source_names(self) -> frozenset[str]:
        theirs = {name for names in self.columns.values() for name in names}
        theirs |= set(self.start_stop.names) if self.start_stop else set()
        return frozenset(theirs | (set(self.wide.names) if self.wide else set()))

    def missing(self, names: Iterable[str]) -> frozenset[str]:
        """Their columns that a file with these names lacks."""
        return self.source_names - set(self._spelled(names))

    def can_tell_runs(self, names: Iterable[str]) -> bool:
        """Whether a file has what its rows are made of, where they are none of runs yet: the columns of an event, of a stage."""
        have = set(self._spelled(names))
        if self.start_stop:
            return have.issuperset([self.start_stop.event, *self.start_stop.at])
        return not self.wide or any(have.issuperset(theirs) for theirs in self.wide.stages.values())

    def names_for(self, names: Iterable[str]) -> tuple[str, ...]:
        """Our names for the columns of a file."""
        return self.apply(tuple(names), ())[0]

    def apply(self, names: tuple[str, ...], rows: Iterable[Row]) -> tuple[tuple[str, ...], Iterable[Row]]:
        """Names and rows of a file in our columns; a column that the mapping does not name is kept as it is."""
        names = self._spelled(names)
        if self.start_stop:
            names, rows = runs_of_events(self.start_stop, names, rows, self._stamp)
        if self.wide:
            names, rows = runs_of_wide(self.wide, names, rows, self._minutes_of)
        used = {name for theirs in self.columns.values() for name in theirs}
        ours = [name for name, theirs in self.columns.items() if any(theirs_name in names for theirs_name in theirs)]
        ours += [name for name in self.defaults if name not in ours and name not in names]
        kept = [name for name in names if name not in used and name not in ours]
        return (*ours, *kept), self._rows(names, ours, kept, rows)

    def passes_over(self, row: Row) -> str:
        """The first filled cell of a row that is none of a log; '' of any other."""
        first = next((cell.strip() for cell in row.cells if cell.strip()), "")
        return first if self.skip and begins_with(self.skip).match(first) else ""

    def _spelled(self, names: Iterable[str]) -> tuple[str, ...]:
        """Names of a file as the mapping spells them."""
        known = self.source_names
        spelled = {plain_name(name): name for name in known}
        headed = (name if name.strip() else f"column {place}" for place, name in enumerate(names, 1))
        return tuple(name if name in known else spelled.get(plain_name(name), name) for name in headed)

    def _rows(self, names: tuple[str, ...], ours: list[str], kept: list[str], rows: Iterable[Row]) -> Iterator[Row]:
        place = {name: number for number, name in enumerate(names)}
        typed = {column.name: column for columns in KINDS.values() for column in columns}
        for row in rows:
            yield Row(
                row.line, [self._cell(typed.get(name, Column(name)), row, place) for name in (*ours, *kept)], row.fault
            )

    def _cell(self, column: Column, row: Row, place: dict[str, int]) -> str:
        text, name = self._text(column, row, place), column.name
        if not text:
            return self.defaults.get(name, "")
        if name in self.words:
            return self.words[name].get(text.lower(), text)
        match column.kind:
            case "stamp":
                moment = parsed(text, self.formats.get(name, ()))
                if self.overnight and name == "ended_at" and moment:
                    moment = self._after_start(moment, row, place)
                return self._iso(moment) if moment else text
            case "date":
                moment = parsed(text, self.formats.get(name, ()))
                return moment.date().isoformat() if moment else text
            case "number" if not (self.wide and name == "work_min"):  # a stage's minutes are known already
                return self._number(name, text, self.units.get(name))
        return text

    def _minutes_of(self, stage: str, text: str) -> str:
        return self._number("work_min", text, self.units.get(stage, self.units.get("work_min")))

    def _text(self, column: Column, row: Row, place: dict[str, int]) -> str:
        """What stands in their columns, joined by a space."""
        theirs = self.columns.get(column.name, (column.name,))
        texts = [row.cells[place[name]].strip() for name in theirs if name in place]
        if column.kind == "stamp" and not all(texts):
            return ""  # a day without its time, or a time without its day, is no stamp
        filled = [text for text in texts if text]
        return joined_time(filled) if column.kind == "stamp" and filled else " ".join(filled)

    def _after_start(self, end: datetime, row: Row, place: dict[str, int]) -> datetime:
        """An end before its start by less than a day is on the next day."""
        start = parsed(self._text(Column("started_at", "stamp"), row, place), self.formats.get("started_at", ()))
        if not start or (start.tzinfo is None) != (end.tzinfo is None):
            return end
        return end + timedelta(days=1) if timedelta() < start - end < timedelta(days=1) else end

    def _stamp(self, text: str, name: str = "at") -> str:
        """The stamp as ISO 8601; in UTC where the mapping names a zone. What cannot be read stays, for the rules."""
        moment = parsed(text, self.formats.get(name, ()))
        return self._iso(moment) if moment else text

    def _iso(self, moment: datetime) -> str:
        if self.zone and moment.tzinfo is None:
            return to_utc(moment, self.zone).isoformat() + "Z"
        return moment.isoformat()

    def _number(self, name: str, text: str, unit: str | None) -> str:
        if dimension(name) == "min" and (unit in (CLOCK, MINUTES_SECONDS, WORDS) or text.count(":") == 2):
            minutes = worded_minutes(text) if unit == WORDS and ":" not in text else clock_minutes(text)
            if minutes is None:
                return text
            return f"{minutes / 60 if unit == MINUTES_SECONDS else minutes:.10g}"
        plain = re.sub("[ \u00a0']", "", text)
        if re.search(THOUSANDS["." if self.decimal == "," else ","], plain):
            plain = plain.replace("." if self.decimal == "," else ",", "")
        plain = plain.replace(",", ".")  # what parts no thousands is a decimal mark, whatever the mapping says
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


def parsed(text: str, forms: Iterable[str] = ()) -> datetime | None:
    """The moment under the first format that reads it, else as ISO 8601.

    >>> str(parsed("5.1.2026 8:00", ["%d.%m.%Y", "%d.%m.%Y %H:%M"])), parsed("soon")
    ('2026-01-05 08:00:00', None)
    """
    text = text.strip()
    return next((moment for form in forms if (moment := moment_in(text, form))), None) or iso_moment(text)


@cache
def begins_with(words: tuple[str, ...]) -> re.Pattern[str]:
    """A text that begins with one of the words, as whole ones, in any case.

    >>> [bool(begins_with(("KW", "Summe")).match(text)) for text in ("KW 34", "kw34", "Summe:", "Kwik", "")]
    [True, True, True, False, False]
    """
    return re.compile(rf"(?:{'|'.join(map(re.escape, words))})(?![^\W\d_])", re.IGNORECASE)
