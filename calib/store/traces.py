"""Files of the shop's folder in which a person's name or alias still stands."""

from __future__ import annotations

import gzip
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path

import duckdb

SKIPPED = {".duckdb", ".wal", ".stl", ".3mf", ".obj", ".ply", ".png"}
LARGEST = 1 << 28  # bytes; a log that is larger is not looked into, and is named


def files_with(folder: Path, words: Iterable[str], beside: Iterable[Path] = ()) -> list[str]:
    """Files below ``folder`` that hold one of the words, whatever its case, and those too large or damaged to tell.

    beside : folders to pass over (backups, which are told of themselves)
    """
    pattern = re.compile("|".join(rf"\b{re.escape(word)}\b" for word in sorted(set(words))), re.IGNORECASE)
    passed = tuple(beside)
    return [
        str(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.suffix not in SKIPPED and not any(above in passed for above in path.parents)
        and _holds(path, pattern)
    ]  # fmt: skip


def _holds(path: Path, pattern: re.Pattern[str]) -> bool:
    if path.suffix == ".parquet":
        return _parquet_holds(path, pattern.pattern)
    try:
        if path.stat().st_size > LARGEST:
            return True
        return any(pattern.search(text.decode(code, "ignore")) for text in _texts(path) for code in ("utf-8", "utf-16"))
    except (OSError, zipfile.BadZipFile, EOFError, zlib.error):
        return True


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


def _parquet_holds(path: Path, pattern: str) -> bool:
    try:
        with duckdb.connect() as con:
            row = con.execute(
                "SELECT bool_or(regexp_matches(to_json(t)::VARCHAR, ?)) FROM read_parquet(?) t",
                ["(?i)" + pattern, str(path)],
            ).fetchone()
    except duckdb.Error:
        return True
    return bool(row and row[0])
