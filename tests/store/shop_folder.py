"""A small shop for the tests of the store: write logs, import them, read counts."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from calib.store.imports import ImportOptions, import_files
from calib.store.open_store import STORE_NAME, open_store

ZONE = "Europe/Berlin"
COUNTS = ("rows_read", "rows_new", "rows_corrected", "rows_repeated", "rows_quarantined", "rows_held")
HOURS = (((480, 1020),),) * 5 + ((), ())


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@cache
def empty_store() -> bytes:
    """A new store, made once: thirteen migrations take longer than most tests."""
    with tempfile.TemporaryDirectory() as folder:
        with open_store(Path(folder), create=True):
            pass
        return (Path(folder) / STORE_NAME).read_bytes()


def take_in(folder: Path, *paths: Path, **options: Any) -> dict[str, Any]:
    if not (folder / STORE_NAME).exists():
        (folder / STORE_NAME).write_bytes(empty_store())
    return import_files(folder, list(paths), ImportOptions(options.pop("timezone", ZONE), **options))


@cache
def _store_of(files: tuple[tuple[str, str], ...]) -> bytes:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        take_in(folder, *(write(folder, *file) for file in files))
        return (folder / STORE_NAME).read_bytes()


def shop_of(folder: Path, *files: tuple[str, str]) -> Path:
    """The folder with a store that took in files of these names and texts; they are read once for all tests."""
    (folder / STORE_NAME).write_bytes(_store_of(files))
    return folder


def counts(document: dict[str, Any], number: int = 0) -> tuple[int, ...]:
    """new, corrected, repeated, quarantined, held of one file; checks that they add up to what was read."""
    read, *fates = (document["files"][number][name] for name in COUNTS)
    assert sum(fates) == read
    return tuple(fates)
