"""Whether anything was written to the store since, by this program or another: seen without opening it."""

from __future__ import annotations

from pathlib import Path

from calib.store.open_store import STORE_NAME

HEADERS = (
    3 * 4096
)  # bytes at the start of the file; the engine rewrites some of them with every change that it brings in
State = tuple[object, ...]


def state_of_store(folder: Path) -> State:
    """Equal as long as nothing was written: the file, its headers, and its log of changes; of no store the empty one."""
    path = folder / STORE_NAME
    try:
        with path.open("rb") as file:
            headers = file.read(HEADERS)
        return _facts(path), headers, _facts(path.with_name(f"{path.name}.wal"))
    except FileNotFoundError:
        return ()


def _facts(path: Path) -> tuple[int, ...]:
    try:
        status = path.stat()
    except FileNotFoundError:
        return ()
    return status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns
