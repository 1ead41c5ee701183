"""What was read before need not be read again: a file as it was, or the part at its beginning that an earlier one was."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from calib.logs.text_file import encoding_of

NO_TEXT = (b"\x1f\x8b", b"PK", b"PAR1", b"{", b"[", b"<")


@dataclass(frozen=True)
class LedgerTable:
    """A table that was read before: its rows are known, or were set aside and would be so again.

    lines, bytes : of the whole file
    sheet : what its name has behind the file's, '' or '#sheet'
    rows, set_aside : how many were read, and how many of these set aside
    """

    sha256: str
    bytes: int
    lines: int
    sheet: str
    kind: str
    names: tuple[str, ...]
    notes: tuple[str, ...]
    rows: int
    set_aside: int


@dataclass(frozen=True)
class Digest:
    """Of a file's bytes.

    odd_blanks, zeros : whether they hold tabs or no-break spaces, and zero bytes
    beginning : what of it was read before
    """

    sha256: str
    bytes: int
    lines: int
    odd_blanks: bool
    zeros: bool
    beginning: tuple[LedgerTable, ...]


def digest_of(path: Path, before: Iterable[LedgerTable] = ()) -> Digest:
    """Digest of a file, and the longest beginning of it that is a file that was read before."""
    known: dict[tuple[int, str], list[LedgerTable]] = {}
    for table in before:
        known.setdefault((table.bytes, table.sha256), []).append(table)
    ends = iter(sorted({size for size, _ in known}))
    end = next(ends, None)
    beginning: list[LedgerTable] = []
    digest, size, lines, last, odd, zeros = hashlib.sha256(), 0, 0, b"\n", False, False
    with path.open("rb") as opened:
        while chunk := opened.read(1 << 22 if end is None else min(1 << 22, end - size)):
            digest.update(chunk)
            size += len(chunk)
            lines += chunk.count(b"\n")
            last = chunk[-1:]
            odd = odd or b"\t" in chunk or b"\xa0" in chunk
            zeros = zeros or b"\x00" in chunk
            if size == end:
                beginning = known.get((size, digest.hexdigest()), beginning)
                end = next(ends, None)
    return Digest(digest.hexdigest(), size, lines + (last != b"\n"), odd, zeros, tuple(beginning))


def tail_of(path: Path, before: LedgerTable, header_line: int, work: Path) -> Path:
    """A copy of the lines up to the header and of what came behind the part that was read before."""
    copy = work / f"tail{sum(1 for _ in work.glob('tail*.csv'))}.csv"
    with path.open("rb") as opened, copy.open("wb") as out:
        for _ in range(header_line):
            out.write(opened.readline())
        opened.seek(before.bytes)
        shutil.copyfileobj(opened, out)
    return copy


def may_have_grown(path: Path, before: LedgerTable) -> bool:
    """Whether rows can have been added behind those that were read: text of whole lines."""
    with path.open("rb") as opened:
        start = opened.read(1 << 16)
        opened.seek(before.bytes - 1)
        whole_lines = opened.read(1) == b"\n"
    return (
        whole_lines
        and not start.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(NO_TEXT)
        and encoding_of(start) == "utf-8-sig"
    )
