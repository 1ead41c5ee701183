"""One program at a time in a folder."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from calib.errors import StoreError

LOCK = ".lock"  # in folders of a company


@contextmanager
def alone_in(folder: Path, name: str, busy: str) -> Iterator[None]:
    """Hold a folder's lock; the system lets go of it when the process ends, however it ends.

    name : of the lock's file; busy : the sentence where another program holds it
    Raises StoreError then, and where nothing can be written there.
    """
    from filelock import FileLock, Timeout

    try:
        lock = FileLock(folder / name, timeout=0)
        lock.acquire()
    except Timeout:
        raise StoreError(f"{busy} in {folder}; nothing was changed.", "Let it end, then try again.") from None
    except OSError as error:
        raise StoreError(
            f"Nothing can be written into {folder}: {error.strerror}.", "Allow it; nothing was changed."
        ) from error
    try:
        yield
    finally:
        lock.release()
