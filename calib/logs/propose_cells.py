"""How a foreign file writes its times and numbers: formats, day or month first, decimal mark, units."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from calib.calendar.written_time import DAY_NUMBER, moment_in
from calib.logs.mapping import CLOCK, MINUTES_SECONDS, UNITS, WORDS, dimension, parsed
from calib.logs.shapes import clock_minutes, shape_of

DAY_FIRST = ("%d.%m.%Y", "%d/%m/%Y", "%d-%m-%Y", "%d.%m.%y", "%d/%m/%y", "%d-%m-%y", "%d %b %Y", "%d %B %Y")
MONTH_FIRST = ("%m/%d/%Y", "%m-%d-%Y", "%m/%d/%y", "%m-%d-%y", "%b %d, %Y", "%B %d, %Y")
YEAR_FIRST = ("%Y/%m/%d", "%Y.%m.%d", "%Y-%m-%d")
CLOCKS = ("", " %H:%M", " %H:%M:%S", " %I:%M %p", " %I:%M:%S %p", " %I:%M%p", ", %H:%M", ", %H:%M:%S", "T%H:%M:%S",
          " %H.%M", " %H,%M", " %Hh%M", " %H h %M", " %H%M", " %H.%M Uhr", " %H:%M Uhr")  # fmt: skip
HOURS = (" %H", " %H Uhr", " %Hh", " %H h")  # among times of day that have minutes
SAMPLE = 60  # different cells that a format is tried on
MOST_FORMATS = 3


@dataclass(frozen=True)
class Order:
    """Day or month first. formats : our name -> formats; unread : our name -> cells that none of them reads"""

    name: str
    formats: dict[str, list[str]]
    unread: dict[str, list[str]]

    @property
    def left(self) -> int:
        return sum(map(len, self.unread.values()))


def formats_of(texts: Mapping[str, Sequence[str]]) -> tuple[Order, str, str]:
    """The formats of all columns of times, why day or month was taken to come first, and a question or ''.

    texts : our name -> what stands in its cells, joined where a stamp is made of several
    """
    day, month = (_order(name, days, texts) for name, days in (("day first", DAY_FIRST), ("month first", MONTH_FIRST)))
    if day.formats == month.formats:
        numbers = next((cell for cells in texts.values() for cell in cells if moment_in(cell, DAY_NUMBER)), "")
        why = (
            f'"{numbers}" as spreadsheets count days is {moment_in(numbers, DAY_NUMBER)}'
            if numbers
            else "the year first"
        )
        return day, why if any(day.formats.values()) else "", ""
    if day.left != month.left:
        best, other = sorted((day, month), key=lambda order: order.left)
        wrong = [cell for name, cells in other.unread.items() for cell in cells if cell not in best.unread[name]]
        telling = next((cell for cell in wrong if any(int(part) > 12 for part in re.findall(r"\d{1,9}", cell)[:2])), "")
        return best, f'{best.name}, as "{telling}" shows' if telling else f"{best.name}, as it is written", ""
    best, other = sorted((day, month), key=lambda order: _jumps(order, texts))
    forms = best.formats, other.formats
    name = next(name for name in best.formats if forms[0][name] != forms[1][name])
    ask = f'{name}: "{texts[name][0]}" can be read as {forms[0][name][0]} or {forms[1][name][0]}; {best.name} was taken'
    back, other_back = _jumps(best, texts), _jumps(other, texts)
    if back < other_back:
        ask += f", as {other_back - back} rows would go back in time otherwise"
    return best, f"{best.name}, which the cells do not decide", ask


def _order(name: str, days: Iterable[str], texts: Mapping[str, Sequence[str]]) -> Order:
    forms = [day + clock for day in (*days, *YEAR_FIRST) for clock in (*CLOCKS, *HOURS)] + [DAY_NUMBER]
    read = {ours: _formats(cells, forms) for ours, cells in texts.items()}
    return Order(name, {k: v[0] for k, v in read.items()}, {k: v[1] for k, v in read.items()})


def _formats(cells: Sequence[str], forms: list[str]) -> tuple[list[str], list[str]]:
    """Formats beside ISO 8601 that are needed, the commonest first, and the different cells that nothing reads."""
    left = [cell for cell in dict.fromkeys(cells) if parsed(cell) is None]
    taken: list[str] = []
    while left and len(taken) < MOST_FORMATS:
        form = max(forms, key=lambda candidate: sum(_reads(cell, candidate) for cell in left[:SAMPLE]))
        rest = [cell for cell in left if not _reads(cell, form)]
        if len(rest) == len(left):
            break
        taken.append(form)
        left = rest
    return taken, left


def _reads(cell: str, form: str) -> bool:
    return moment_in(cell, form) is not None


def _jumps(order: Order, texts: Mapping[str, Sequence[str]]) -> int:
    """How often the rows go back in time."""
    moments = [[parsed(cell, order.formats[name]) for cell in cells] for name, cells in texts.items()]
    known = [[moment.replace(tzinfo=None) for moment in column if moment] for column in moments]
    return sum(later < earlier for column in known for earlier, later in pairwise(column))


def decimal_of(columns: Iterable[Sequence[str]]) -> tuple[str, str, str]:
    """The decimal mark of all numbers, why, and a question or ''.

    columns : cells of each column of numbers

    >>> [decimal_of([cells])[0] for cells in (["1.250,5", "7"], ["1,5"], ["1,250", "2.5"], ["3"])]
    [',', ',', '.', '.']
    >>> decimal_of([["1.250", "980", "45"]])[2]
    'decimal: is "1.250" above a thousand, or is its point a decimal one?'
    """
    columns = list(columns)
    cells = [cell for column in columns for cell in column]
    with_comma = [cell for cell in cells if re.search(r"\d,\d", cell)]
    sure = next((cell for cell in with_comma if not re.search(r",\d{3}(?!\d)", cell) or re.search(r"\.\d+,", cell)), "")
    if sure:
        return ",", f'"{sure}" has a decimal comma', ""
    points = any(re.search(r"\.\d{1,2}$|\.\d{4,}$", cell) for cell in cells)
    if with_comma and not points:
        return ".", "", f'decimal: is "{with_comma[0]}" above a thousand, or is its comma a decimal one?'
    thousand = "" if with_comma else next(filter(None, map(_thousand, columns)), "")
    return ".", "", f'decimal: is "{thousand}" above a thousand, or is its point a decimal one?' if thousand else ""


def _thousand(cells: Sequence[str]) -> str:
    """A cell whose point may part thousands: all that have one have three digits behind it, and the others are whole."""
    pointed = [cell for cell in cells if "." in cell]
    parted = all(re.fullmatch(r"[1-9]\d{0,2}(?:\.\d{3})+", cell) for cell in pointed)
    return pointed[0] if pointed and parted and len(pointed) < len(cells) else ""


def number_of(cell: str, decimal: str) -> float | None:
    try:
        return float(cell.replace("." if decimal == "," else ",", "").replace(decimal, ".").strip("% "))
    except ValueError:
        return None


def unit_of(
    ours: str, shape: str, cells: Sequence[str], stated: str, decimal: str, lasted: Sequence[float | None] = ()
) -> tuple[str, str, str]:
    """The unit of a column of numbers, why, and a question or ''; '' is our own unit.

    stated : the unit in its heading; lasted : minutes from start to end in the same rows, where they are known
    """
    kind = dimension(ours)
    if kind == "min" and shape == "clock":
        return _unit_of_clock(ours, cells, stated, lasted)
    if kind == "min" and shape in ("duration", "text"):
        bare = next((cell for cell in cells if shape_of(cell) == "number"), "")
        return WORDS, "written with its units", f'{ours}: "{bare}" has no unit: minutes are taken' if bare else ""
    numbers = [number_of(cell, decimal) for cell in cells]
    ratios = [
        minutes / number for number, minutes in zip(numbers, lasted, strict=False) if number and minutes and minutes > 0
    ]
    if stated in UNITS.get(kind, {}) and not ratios:
        return ("" if UNITS[kind][stated] == 1 else stated), f"its heading says {stated}", ""
    size = median([number for number in numbers if number is not None] or [1.0])
    if kind == "min":
        return _unit_of_time(ratios, stated, size, numbers)
    if ours == "layer_mm" and size >= 5:
        return "um", "", f"{ours}: half of it is above {size:g}: are these micrometres?"
    return "", "", ""


def _unit_of_clock(
    ours: str, cells: Sequence[str], stated: str, lasted: Sequence[float | None]
) -> tuple[str, str, str]:
    """Hours and minutes, or minutes and seconds where end less start says so; a question where only the heading does."""
    pairs = [(clock_minutes(cell), minutes) for cell, minutes in zip(cells, lasted, strict=False)]
    ratios = [minutes / written for written, minutes in pairs if written and minutes and minutes > 0]
    if ratios:
        unit = MINUTES_SECONDS if median(ratios) < 1 / 8 else CLOCK
        return unit, f"agrees with end less start in {unit}", ""
    first = next(cell for cell in cells if cell)
    hours, minutes = first.split(":")[:2]
    ask = f'{ours}: its heading says {stated}: is "{first}" {hours} h {minutes} min, or {hours} min {minutes} s ("min:s")?'
    return CLOCK, "written as hours and minutes", ask if stated in ("min", "s") else ""


def _unit_of_time(
    ratios: Sequence[float], stated: str, size: float, numbers: Sequence[float | None]
) -> tuple[str, str, str]:
    near = next((unit for unit in ("min", "h", "s") if ratios and 0.7 < median(ratios) / UNITS["min"][unit] < 1.4), "")
    if near:
        question = (
            f"its heading says {stated}, but it agrees with end less start in {near}"
            if stated not in ("", near)
            else ""
        )
        return ("" if near == "min" else near), f"agrees with end less start in {near}", question
    if stated in UNITS["min"]:
        return ("" if stated == "min" else stated), f"its heading says {stated}", ""
    if size < 12 and any(number and number % 1 for number in numbers):
        return "h", "", f"no unit is said, and half of it is below {size:g}: are these hours?"
    if size > 3000:
        return "s", "", f"no unit is said, and half of it is above {size:g}: are these seconds?"
    return "", f"no unit is said: taken as minutes, half of it is below {size:g}", ""
