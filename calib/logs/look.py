"""The first rows of a foreign file, column by column: what each is headed and what its cells look like."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from pathlib import Path

from calib.errors import LogFileError
from calib.logs.mapping import Mapping
from calib.logs.read_table import FAULT, LINE, read_tables
from calib.logs.shapes import is_bare_clock, shape_of
from calib.logs.trade_words import without_unit
from calib.scratch import scratch_folder

LOOKED_AT = 2000  # rows
MOST = 0.8  # a column is of the shape that so many of its cells have


@dataclass(frozen=True)
class Seen:
    """One column. cells : one for each row, '' where it is empty"""

    name: str
    cells: tuple[str, ...]

    @cached_property
    def heading(self) -> str:
        return without_unit(self.name)[0]

    @cached_property
    def unit(self) -> str:
        """What its heading says, as a mapping has it, or ''."""
        return without_unit(self.name)[1]

    @cached_property
    def filled(self) -> list[str]:
        return [cell for cell in self.cells if cell]

    @cached_property
    def shape(self) -> str:
        """The shape of nearly all its cells; 'text' where there is none such, '' where it is empty."""
        shapes = Counter(map(shape_of, self.filled))
        shape, count = shapes.most_common(1)[0] if shapes else ("", 0)
        return shape if count >= MOST * len(self.filled) else "text"

    @cached_property
    def may_be_clock(self) -> bool:
        """Whether its cells are times of day, or can be where the heading says so."""
        return self.shape == "clock" or bool(self.filled and self.share(is_bare_clock) >= MOST)

    def share(self, is_one: Callable[[str], object]) -> float:
        """The share of filled cells for which ``is_one`` is true."""
        counts = Counter(self.filled)
        return sum(count for cell, count in counts.items() if is_one(cell)) / max(1, len(self.filled))


def look_at(path: Path) -> tuple[list[Seen], tuple[str, ...]]:
    """The columns of a file, and what was noticed as it was read (its header's line, its encoding), as sentences.

    Raises LogFileError when it is no table, or has no rows.
    """
    with scratch_folder() as work:
        tables = read_tables(path, [Mapping(kind="stages")], work, direct=False)
        rows = list(islice(_rows(table.csv for table in tables if table.names == tables[0].names), LOOKED_AT))
    if not rows:
        raise LogFileError(f"{path} has no rows below its header.", "Give a file with some rows to look at.")
    if all(row[FAULT] for row in rows):
        raise LogFileError(f"{path} is no table of text.", "Is it a log at all? Export it as CSV or XLSX.")
    names = [name for name in rows[0] if name not in (LINE, FAULT)]
    return [Seen(name, tuple(row[name].strip() for row in rows)) for name in names], tables[0].notes


def _rows(files: Iterable[Path]) -> Iterator[dict[str, str]]:
    for file in files:
        with file.open(encoding="utf-8", newline="") as opened:
            yield from csv.DictReader(opened)


def named(columns: Iterable[Seen], name: str) -> Seen:
    return next(column for column in columns if column.name == name)
