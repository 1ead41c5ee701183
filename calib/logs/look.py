"""The first rows of a foreign file, column by column: what each is headed and what its cells look like."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from pathlib import Path
from statistics import median

from calib.errors import LogFileError
from calib.logs.columns import plain_name
from calib.logs.mapping import Mapping, begins_with
from calib.logs.read_table import FAULT, RawTable, read_tables
from calib.logs.shapes import is_bare_clock, is_whole_hour, shape_of
from calib.logs.trade_words import BETWEEN_ROWS, folded, without_unit
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
        hours = Counter(map(is_whole_hour, self.filled))
        sure = self.share(is_bare_clock) * len(self.filled)
        return self.shape == "clock" or (sure >= MOST * hours[False] and sure > hours[True])

    def share(self, is_one: Callable[[str], object]) -> float:
        """The share of filled cells for which ``is_one`` is true."""
        counts = Counter(self.filled)
        return sum(count for cell, count in counts.items() if is_one(cell)) / max(1, len(self.filled))


@dataclass(frozen=True)
class Look:
    """What a file holds.

    notes : what was noticed as it was read (its header's line, its encoding), as sentences
    sheet : the only one of a workbook that is a log, where others are filled too; else ''
    skip : how rows begin that are none of a log, with such a cell
    """

    columns: list[Seen]
    notes: tuple[str, ...]
    sheet: str
    skip: dict[str, str]


def look_at(path: Path, sheet: str | None = None) -> Look:
    """The columns of a file, or of one sheet of a workbook, without rows that are none of a log.

    Raises LogFileError when it is no table, or has no rows.
    """
    with scratch_folder() as work:
        tables = read_tables(path, [Mapping(kind="stages", sheet=sheet)], work, direct=False)
        rows = list(islice(_rows(table.csv for table in tables if table.names == tables[0].names), LOOKED_AT))
    if not rows:
        raise LogFileError(f"{path} has no rows below its header.", "Give a file with some rows to look at.")
    if all(row[FAULT] for row in rows):
        raise LogFileError(f"{path} is no table of text.", "Is it a log at all? Export it as CSV or XLSX.")
    cells = [[row[name].strip() for name in tables[0].names] for row in rows]
    skip = rows_between(cells)
    kept = [row for row in cells if not (skip and begins_with(tuple(skip)).match(_first(row)))]
    columns = [Seen(name, column) for name, column in zip(_headings(tables[0]), zip(*kept, strict=True), strict=True)]
    return Look(columns, tables[0].notes, sheet or tables[0].only_sheet, skip)


def _headings(table: RawTable) -> list[str]:
    """Names as they stand in the file, but for those that are empty or stand there twice."""
    both = zip(table.headings, table.names, strict=True)
    return [heading.strip("\ufeff ") if plain_name(heading) == name else name for heading, name in both]


def rows_between(rows: Sequence[Sequence[str]]) -> dict[str, str]:
    """How rows begin that part the others or sum them up -> such a cell, where no other row begins so.

    Such a row fills at most half as many cells as most rows do; what fills a single cell, with words, can be no run.

    >>> rows = [["KW 34", "", "", ""], ["B1", "wash", "3", "ok"], ["B2", "wash", "4", "ok"], ["Summe", "", "7", ""]]
    >>> rows_between([*rows, ["Betriebsferien", "", "", ""], ["B3", "wash", "4", "ok"], ["B4", "wash", "4", "ok"]])
    {'KW': 'KW 34', 'Summe': 'Summe', 'Betriebsferien': 'Betriebsferien'}
    """
    filled = [sum(map(bool, row)) for row in rows]
    usual = median(filled)
    words: dict[str, str] = {}
    for row, count in zip(rows, filled, strict=True):
        if 0 < count <= usual / 2 and (word := _word_between(_first(row), count)):
            words.setdefault(word, _first(row))
    whole = [_first(row) for row, count in zip(rows, filled, strict=True) if count > usual / 2]
    return {word: cell for word, cell in words.items() if not any(map(begins_with((word,)).match, whole))}


def _word_between(cell: str, count: int) -> str:
    """The word by which a row of ``count`` filled cells is recognised, or ''."""
    letters = re.match(r"[^\W\d_]+(?:[ -][^\W\d_]+)*", cell)
    if letters and folded(letters[0]) in BETWEEN_ROWS:
        return letters[0]
    return cell if count == 1 and shape_of(cell) == "text" else ""


def _first(row: Sequence[str]) -> str:
    return next((cell for cell in row if cell), "")


def _rows(files: Iterable[Path]) -> Iterator[dict[str, str]]:
    for file in files:
        with file.open(encoding="utf-8", newline="") as opened:
            yield from csv.DictReader(opened)


def named(columns: Iterable[Seen], name: str) -> Seen:
    return next(column for column in columns if column.name == name)
