"""A folder for the copies that one call needs: nobody else may read it, and what a killed call left goes with the next."""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """A new folder in the system's folder for temporary files, gone afterwards.

    While it is in use a lock is held beside it, of which the system lets go however the process ends.
    """
    from filelock import FileLock

    sweep_scratch()
    folder = _home() / f"call-{os.getpid()}-{os.urandom(4).hex()}"
    with FileLock(_lock_of(folder)):
        folder.mkdir(mode=0o700)
        try:
            yield folder
        finally:
            _remove(folder)


def sweep_scratch() -> None:
    """Remove the folders of calls that ended without doing so themselves."""
    from filelock import FileLock, Timeout

    for folder in _home().glob("call-*/"):
        with suppress(Timeout, OSError), FileLock(_lock_of(folder), timeout=0):
            _remove(folder)


def _lock_of(folder: Path) -> Path:
    return folder.with_name(folder.name + ".lock")


def _remove(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    with suppress(OSError):  # where a file in use cannot be taken away, the next call does
        _lock_of(folder).unlink()


def _home() -> Path:
    """This user's folder for all of them; one of its own where somebody else has put something there."""
    user = os.getuid() if hasattr(os, "getuid") else "user"
    home = Path(tempfile.gettempdir()) / f"calib-{user}"
    with suppress(FileExistsError):
        home.mkdir(mode=0o700)
    found = home.lstat()
    if stat.S_ISDIR(found.st_mode) and (os.name == "nt" or (found.st_uid, found.st_mode & 0o077) == (user, 0)):
        return home
    return Path(tempfile.mkdtemp(prefix="calib-"))
