"""What a command says to a person: its document as a short text with tables."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterable, Mapping, Sequence
from io import StringIO
from textwrap import wrap
from typing import Any

from rich import box
from rich.console import Console, RenderableType
from rich.table import Column, Table
from rich.text import Text

from calib.report.units import stage_name

WIDTH = 110
GAP = "  "  # between columns
BARS = "~"
WIDEST = 400  # that no table reaches
RULED_GAP = 3  # between columns of a table with a rule
BOUND = "\ue000"  # stands for a blank that no line breaks at
UNITS = "%|h|min|s|d|mm|cm²|cm³|g|ml|GBP|of|Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec"
BEFORE_UNIT = re.compile(rf"(?<=\d) (?=(?:{UNITS})(?!\w))|(?<=\d h) (?=\d+ min)|(?<=\d of) (?=\d)")


def terminal_columns(without: int) -> int:
    """Columns of the terminal that is written to; ``without`` where it goes to a file or another program."""
    return shutil.get_terminal_size((without, 24)).columns


def as_text(*shown: RenderableType, width: int = WIDTH) -> str:
    """Plain text of tables and sentences, without colours: it may go to a file."""
    out, room = StringIO(), terminal_columns(width)
    console = Console(file=out, width=max(room, WIDEST), no_color=True, highlight=False, legacy_windows=False)
    for shown_option in shown:
        made = (
            _fitted(shown_option, room)
            if isinstance(shown_option, Table)
            else Text(shown_option)
            if isinstance(shown_option, str)
            else shown_option
        )
        console.print(made, soft_wrap=isinstance(shown_option, str))
    return "\n".join(line.rstrip() for line in out.getvalue().replace(BOUND, " ").splitlines())


def _fitted(made: Table, room: int) -> Table:
    """The table in so many columns of text: bars go first, then words wrap; no word and no number is cut."""
    columns = [column for column in made.columns if not (_is_bars(column) and _natural(made.columns) > room)]
    fitted = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    gap = RULED_GAP
    if _least(columns, gap) > room:
        columns = [column for column in columns if any(map(str, column.cells))]
    if _least(bound := list(map(_bound, columns)), RULED_GAP - 1) <= room:
        columns = bound
    if _least(columns, gap) > room:
        fitted.padding, gap = (0, 1, 0, 0), RULED_GAP - 1
    wide = [max(map(len, _texts(column))) for column in columns]
    spare = [own - _longest_word(column) for own, column in zip(wide, columns, strict=True)]
    while sum(wide) + gap * (len(wide) - 1) > room and max(spare) > 0:
        most = spare.index(max(spare))
        wide[most], spare[most] = wide[most] - 1, spare[most] - 1
    for column, own in zip(columns, wide, strict=True):
        fitted.add_column(str(column.header).lstrip(BARS), justify=column.justify, width=own, overflow="fold")
    for row in zip(*(column.cells for column in columns), strict=True):
        fitted.add_row(*row)
    return fitted


def _least(columns: Sequence[Column], gap: int) -> int:
    return sum(map(_longest_word, columns)) + gap * (len(columns) - 1)


def _bound(column: Column) -> Column:
    """The column with numbers tied to their units."""
    return Column(column.header, justify=column.justify, _cells=[tied(str(cell)) for cell in column.cells])


def tied(text: str) -> str:
    """A text whose numbers stand with their units on one line, wherever it is wrapped.

    >>> tied("8 h 22 min to 12 h, 9 of 10 times").replace(BOUND, "_")
    '8_h_22_min to 12_h, 9_of_10 times'
    """
    return BEFORE_UNIT.sub(BOUND, text)


def _natural(columns: Sequence[Column]) -> int:
    return sum(max(map(len, _texts(column))) for column in columns) + RULED_GAP * (len(columns) - 1)


def _is_bars(column: Column) -> bool:
    return str(column.header).startswith(BARS)


def _longest_word(column: Column) -> int:
    """Of a column of numbers the longest cell: a number stays beside its unit; a heading may wrap between its words."""
    heading, *cells = _texts(column)
    words = cells if column.justify == "right" else [word for cell in cells for word in cell.split()]
    return max(map(len, [*heading.split(), *words]), default=0)


def _texts(column: Column) -> list[str]:
    return [str(column.header).lstrip(BARS), *map(str, column.cells)]


def table(columns: str, rows: Iterable[Iterable[Any]]) -> Table:
    """Columns are named in one text, numbers (named with a leading '>') to the right, bars with a leading '~'."""
    made = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for name in columns.split("|"):
        made.add_column(name.lstrip(">"), justify="right" if name.startswith(">") else "left", overflow="fold")
    for row in rows:
        made.add_row(*(Text("" if cell is None else str(cell)) for cell in row))
    return made


def wrapped(text: str, columns: int) -> str:
    """The text in lines of so many columns, broken between words; a line that begins with blanks goes on below itself."""
    lines = []
    for line in text.split("\n"):
        within = line[: len(line) - len(line.lstrip())]
        lines += (
            [line]
            if len(line) <= columns
            else wrap(tied(line), columns, subsequent_indent=within, break_long_words=False, break_on_hyphens=False)
            or [line]
        )
    return "\n".join(lines).replace(BOUND, " ")


def listed(doc: Mapping[str, Any], key: str) -> list[Any]:
    return [entry for entry in (doc.get(key) or ()) if entry]


def as_sentence(entry: Any) -> str:
    """A sentence as it stands, or a record as 'key value, key value'."""
    if isinstance(entry, Mapping):
        return ", ".join(f"{stage_name(str(key))} {value}" for key, value in entry.items() if value is not None)
    return str(entry)
