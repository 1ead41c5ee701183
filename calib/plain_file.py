"""Only plain files are read: a pipe, a socket or a device has no end, and a name may be none."""

from __future__ import annotations

import stat
from pathlib import Path

from calib.errors import CalibError

SHOWN = 100  # letters of a name that are shown


def check_plain(path: Path, error: type[CalibError]) -> None:
    """Raise ``error`` where a name, links followed, is that of no plain file; one that is not there is left to the caller."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return
    except ValueError:
        raise error(f"{shown(path)} is no name of a file: it holds a zero byte.", "Check the name.") from None
    except OSError as why:
        raise error(f"{shown(path)} cannot be read: {why.strerror}.", "Check its name and rights.") from None
    if stat.S_ISDIR(mode):
        raise error(f"{shown(path)} is a folder.", "Name one file in it.")
    if not stat.S_ISREG(mode):
        raise error(f"{shown(path)} is a pipe or a device, not a file.", "Save what it gives as a file first.")


def shown(path: Path) -> str:
    """The name, cut where it is longer than a line.

    >>> shown(Path("a" * 4000))[90:]
    'aaaaaaaaaa...'
    """
    name = str(path).replace("\x00", "\\0")
    return name if len(name) <= SHOWN else f"{name[:SHOWN]}..."
