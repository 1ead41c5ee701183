"""Files of the shop's folder in which a person's name or alias still stands."""

from __future__ import annotations

import gzip
import html
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path

import duckdb

from calib.logs.names import READ_AS, name_pattern

SKIPPED = {".duckdb", ".wal", ".stl", ".3mf", ".obj", ".ply", ".png"}
NOT_SEARCHED = (
    "Names of columns, and ids: of builds, orders, quotes, runs and parts. A name in one of them stays.",
    "Pictures, meshes and PDF files in the shop's folder, and whatever lies outside it.",
    "Nicknames, misspelled names, and single words of fewer than three letters.",
)
LARGEST = 1 << 28  # bytes; a log that is larger is not looked into, and is named


def files_with(folder: Path, names: Iterable[str], beside: Iterable[Path] = ()) -> list[str]:
    """Files below ``folder`` that hold one of the names, and those too large or damaged to tell.

    beside : folders to pass over (backups, which are told of themselves)
    """
    pattern = name_pattern(names)
    passed = tuple(beside)
    return [
        str(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.suffix not in SKIPPED and not any(above in passed for above in path.parents)
        and (pattern.search(path.name) or _holds(path, pattern))
    ]  # fmt: skip


def _holds(path: Path, pattern: re.Pattern[str]) -> bool:
    try:
        if path.suffix == ".parquet":
            return any(pattern.search(text) for text in _parquet_texts(path))
        if path.stat().st_size > LARGEST:
            return True
        return any(pattern.search(text) for data in _texts(path) for text in _read_as(data))
    except (OSError, zipfile.BadZipFile, EOFError, zlib.error, duckdb.Error):
        return True


def _read_as(data: bytes) -> Iterator[str]:
    """Bytes as text in each way that a log may be read, and with what is escaped in it spelled out."""
    for encoding in ("utf-8", "utf-16-le", "utf-16-be") if b"\x00" in data else ("utf-8", READ_AS):
        text = data.decode(encoding, "replace")
        yield text
        if "\\u" in text:
            yield re.sub(r"\\u([0-9a-fA-F]{4})", lambda found: chr(int(found[1], 16)), text)
        if "&#" in text:
            yield html.unescape(text)


def _texts(path: Path) -> Iterator[bytes]:
    """The bytes of a file, unpacked where it is a workbook or gzip."""
    if path.suffix == ".gz":
        with gzip.open(path) as stream:
            yield stream.read(LARGEST)
    elif zipfile.is_zipfile(path):
        with zipfile.ZipFile(path) as archive:
            yield from (archive.read(one) for one in archive.infolist() if one.file_size < LARGEST)
    else:
        yield path.read_bytes()


def _parquet_texts(path: Path) -> Iterator[str]:
    with duckdb.connect() as con:
        rows = con.execute("SELECT DISTINCT to_json(t)::VARCHAR FROM read_parquet(?) t", [str(path)])
        while found := rows.fetchmany(10_000):
            yield "\n".join(text for (text,) in found)
