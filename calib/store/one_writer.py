"""One writer at a time in a shop: a lock that the store's file cannot give, since a restore puts another file in its place."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from calib.errors import StoreError

try:
    import fcntl
except ImportError:  # not on this system: there the engine's own lock on the store's file has to do
    fcntl = None  # type: ignore[assignment]

LOCK_NAME = ".shop.duckdb.lock"
MADE = b"shop.duckdb was made here. Where it is gone, calib says so; remove this file to begin with an empty one.\n"
PID_WIDTH = 11  # bytes at the start of the file: who holds it


@dataclass
class _Held:
    descriptor: int
    times: int
    alone: int | None  # the thread that wants no other one beside it


_held: dict[tuple[int, Path], _Held] = {}
_guard = threading.Lock()


@contextmanager
def hold_writing(folder: Path, wait_s: float, alone: bool = False, leave_no_mark: bool = False) -> Iterator[None]:
    """Keep every other program from writing to the shop's store; the system lets go of it however this one ends.

    alone : other threads of this program as well; otherwise they share it, as the engine lets them share the store
    leave_no_mark : neither make the lock's file, nor write to it; where nobody has made it yet, nothing is held

    Raises StoreError where another one writes for longer than ``wait_s`` [s].
    """
    if leave_no_mark and not (folder / LOCK_NAME).exists():
        yield
        return
    key = os.getpid(), folder.resolve()
    until = time.monotonic() + wait_s
    while not _taken(key, alone, leave_no_mark):
        if time.monotonic() > until:
            raise _busy(key[1])
        time.sleep(0.05)
    try:
        yield
    finally:
        _let_go(key)


def mark_made(folder: Path) -> None:
    """Note that there is a store, so that its loss is not taken for a beginning; asked while the lock is held."""
    held = _held.get((os.getpid(), folder.resolve()))
    if held and held.descriptor >= 0 and os.fstat(held.descriptor).st_size <= PID_WIDTH:
        os.pwrite(held.descriptor, MADE, PID_WIDTH)


def was_made(folder: Path) -> bool:
    path = folder / LOCK_NAME
    return path.exists() and path.stat().st_size > PID_WIDTH


def _taken(key: tuple[int, Path], alone: bool, leave_no_mark: bool) -> bool:
    me = threading.get_ident()
    with _guard:
        held = _held.get(key)
        if held is None:
            descriptor = _locked(key[1])
            if descriptor is None:
                return False
            _held[key] = _Held(descriptor, 1, me if alone else None)
            if descriptor >= 0 and not leave_no_mark:
                os.pwrite(descriptor, _holder(os.getpid()), 0)
            return True
        if held.alone != me and (alone or held.alone is not None):
            return False
        held.times += 1
        return True


def _locked(folder: Path) -> int | None:
    """Descriptor of the locked file; None where another program has it; -1 where no file can be locked (nor the store written)."""
    try:
        descriptor = os.open(folder / LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError:
        return -1
    try:
        if fcntl:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        return None
    except OSError:  # a file system without locks
        os.close(descriptor)
        return -1
    return descriptor


def _holder(process: int | str) -> bytes:
    return f"{process:<{PID_WIDTH - 1}}\n".encode()


def _let_go(key: tuple[int, Path]) -> None:
    with _guard:
        held = _held[key]
        held.times -= 1
        if not held.times:
            del _held[key]
            if held.descriptor >= 0:
                if os.pread(held.descriptor, PID_WIDTH, 0) == _holder(os.getpid()):
                    os.pwrite(held.descriptor, _holder(""), 0)
                os.close(held.descriptor)


def _busy(folder: Path) -> StoreError:
    try:
        holder = (folder / LOCK_NAME).read_bytes()[:PID_WIDTH].decode("ascii", "ignore").strip()
    except OSError:
        holder = ""
    who = f" (process {holder})" if holder.isdigit() else ""
    return StoreError(
        f"shop.duckdb is open in another program{who}.", "Close it there and try again; nothing was changed."
    )
