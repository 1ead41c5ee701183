"""A table as it stands in its file, before anything is made of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sized
from dataclasses import dataclass
from functools import cached_property

from calib.errors import LogFileError
from calib.logs.columns import kind_of, plain_name
from calib.logs.text_file import Row

COLUMN_LIMIT = 2000  # no log of builds or stages has more; the store would take minutes over them


def check_width(shown: str, names: Sized) -> None:
    if len(names) > COLUMN_LIMIT:
        raise LogFileError(f"{shown} has more than {COLUMN_LIMIT:,} columns.", "Leave out what is no log.")


@dataclass(frozen=True)
class Source:
    """names : of its columns, as they stand there
    rows : gives its rows, from the first one at each call
    notes : what was noticed as its header was sought, as sentences
    sheet : of a workbook; None for any other file
    is_likely : whether it is headed as the sheet is that looks most like a log
    is_filled : whether anything stands below its header
    """

    names: tuple[str, ...]
    rows: Callable[[], Iterable[Row]]
    notes: tuple[str, ...] = ()
    sheet: str | None = None
    is_likely: bool = True
    is_filled: bool = True

    @cached_property
    def kind(self) -> str | None:
        """What it is a log of by itself, without a mapping."""
        return kind_of(map(plain_name, self.names))
