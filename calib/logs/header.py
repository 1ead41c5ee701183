"""Which of the first rows of a table has the names of its columns: one rule for text files and workbooks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from calib.logs.columns import plain_name
from calib.logs.shapes import VALUES, shape_of

HEADER_WITHIN = 40  # lines at the top of a file among which its header is sought
ROWS_BELOW = 12  # filled rows that a header is held against
LONGEST = 80  # letters of a name
NAMES = ("text", "code")


@dataclass(frozen=True)
class Header:
    """line : of the names, counted from 1; 0 where no row looks like a header
    names : cells of the header; 'column 1', 'column 2' ... where there is none
    above : how many filled rows stand above it
    worth : how much it looks like one; of two, the greater is the likelier
    """

    line: int
    names: tuple[str, ...]
    above: int = 0
    worth: tuple[float, float] = (0, 0)

    @property
    def note(self) -> str:
        """A sentence where a person should know which row was taken; '' where it was the first."""
        if not self.line:
            return "no line looks like a header: its columns are called column 1, column 2 and so on"
        return f"line {self.line} was taken as its header" if self.above else ""


def find_header(rows: Sequence[Sequence[str]], known: Collection[str] = ()) -> Header | None:
    """The row that looks most like a header among the first ones; None where all are empty.

    A header is of names, not of values; it is at least as wide as the rows below it and unlike them in type. Two or more
    names that are known decide at once.

    known : names that a header of ours, or of the mapping, may have
    """
    rows = rows[:HEADER_WITHIN]
    shapes = [[shape_of(cell) for cell in row] for row in rows]
    filled = [place for place, row in enumerate(shapes) if any(row)]
    if not filled:
        return None
    below = {place: [shapes[other] for other in filled[nth : nth + ROWS_BELOW]] for nth, place in enumerate(filled, 1)}
    worths = {place: _worth(rows[place], shapes[place], below[place], known) for place in filled}
    best = max(filled, key=lambda place: (worths[place], -place))
    if worths[best][0] == 0 and _values(shapes[best]) and _unlike(shapes[best], below[best]) <= _values(shapes[best]):
        names = tuple(f"column {number}" for number in range(1, max(map(len, rows)) + 1))
        return Header(0, names)
    above = filled.index(best)
    names = _named(rows[best], rows[filled[above - 1]] if above else ())
    return Header(best + 1, names, above, worths[best])


def _worth(
    cells: Sequence[str], shapes: Sequence[str], below: Sequence[Sequence[str]], known: Collection[str]
) -> tuple[float, float]:
    names = {
        cell.strip().lower()
        for cell, shape in zip(cells, shapes, strict=True)
        if shape in NAMES and len(cell) <= LONGEST
    }
    hits = sum(cell in known or plain_name(cell) in known for cell in cells) - _values(shapes)
    fits = [(_width(row) <= _width(shapes)) * (1 + (len(row) == len(shapes))) / 2 for row in below] or [1.0]
    looks = (len(names) + _unlike(shapes, below) + max(hits, 0)) * sum(fits) / len(fits)
    return (hits if hits >= 2 else 0), looks - _values(shapes)


def _values(shapes: Sequence[str]) -> int:
    return sum(shape in VALUES for shape in shapes)


def _unlike(shapes: Sequence[str], below: Sequence[Sequence[str]]) -> int:
    """In how many columns stands a name over cells of another shape."""
    return sum(shape in NAMES and _usual(below, place) not in ("", shape) for place, shape in enumerate(shapes))


def _usual(rows: Sequence[Sequence[str]], place: int) -> str:
    """The commonest shape in one column, '' where it is empty."""
    shapes = Counter(row[place] for row in rows if place < len(row) and row[place])
    return shapes.most_common(1)[0][0] if shapes else ""


def _width(shapes: Sequence[str]) -> int:
    """Cells up to the last filled one."""
    return max((place for place, shape in enumerate(shapes, 1) if shape), default=0)


def _named(cells: Sequence[str], above: Sequence[str]) -> tuple[str, ...]:
    """The names; one that stands there several times gets the name of the group that stands above it.

    >>> _named(["Job", "from", "to", "from", "to"], ["", "Wash", "", "Cure", ""])
    ('Job', 'Wash from', 'Wash to', 'Cure from', 'Cure to')
    """
    count = Counter(cells)
    group, names = "", []
    for place, cell in enumerate(cells):
        group = (above[place].strip() if place < len(above) else "") or group
        names.append(f"{group} {cell}" if group and cell.strip() and count[cell] > 1 else cell)
    return tuple(names)
