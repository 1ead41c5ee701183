"""A log as it stands in its file: its bytes, expanded where it is packed, and its table, before anything is made of it."""

from __future__ import annotations

import gzip
import io
import zlib
from collections.abc import Callable, Iterable, Iterator, Sized
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from calib.errors import LogFileError
from calib.logs.columns import kind_of, plain_name
from calib.logs.text_file import Row
from calib.logs.words import library_says

EXPANDED_LIMIT = 4 << 30  # bytes that a compressed file may become
RATIO_LIMIT = 100  # unpacked bytes for each packed one; logs pack 3 to 30 times


def is_packed(path: Path) -> bool:
    with path.open("rb") as opened:
        return opened.read(2) == b"\x1f\x8b"


@contextmanager
def opened_bytes(path: Path) -> Iterator[io.BufferedIOBase]:
    """The bytes of a file, expanded where it is gzip.

    Raises LogFileError where that is damaged, or expands to more than a log would.
    """
    if not is_packed(path):
        with path.open("rb") as opened:
            yield opened
        return
    with gzip.open(path) as stream:
        limit = min(EXPANDED_LIMIT, max(RATIO_LIMIT * path.stat().st_size, 1 << 24))
        try:
            yield io.BufferedReader(_Limited(stream, limit, path.name))
        except (gzip.BadGzipFile, EOFError, zlib.error) as error:
            raise LogFileError(
                f"{path.name} is a damaged gzip file: {library_says(error)}.", "Pack it again."
            ) from error


class _Limited(io.RawIOBase):
    """A stream that stops where a compressed file expands beyond reason."""

    def __init__(self, stream: io.BufferedIOBase | gzip.GzipFile, limit: int, name: str) -> None:
        self.stream, self.left, self.name = stream, limit, name

    def readable(self) -> bool:
        return True

    def readinto(self, buffer) -> int:  # type: ignore[no-untyped-def]  # a buffer has no name in typing before 3.12
        data = self.stream.read(len(buffer))
        self.left -= len(data)
        if self.left < 0:
            raise LogFileError(
                f"{self.name} expands to far more than its size allows.", "Unpack it yourself and look at it."
            )
        buffer[: len(data)] = data
        return len(data)


COLUMN_LIMIT = 2000  # no log of builds or stages has more; the store would take minutes over them


def check_width(shown: str, names: Sized) -> None:
    """Raises LogFileError where a table has more columns than a log can have."""
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
