"""What no part of calib expected: a short report to send, in which nothing of the user's stands."""

from __future__ import annotations

import os
import platform
import sys
import traceback
from errno import EACCES, EEXIST, EISDIR, ENAMETOOLONG, ENOSPC, ENOTDIR, ENOTEMPTY, EPERM, EROFS
from importlib.metadata import version
from pathlib import Path

from calib.plain_file import shown

USERS = {EACCES, EEXIST, EISDIR, ENAMETOOLONG, ENOTDIR, ENOTEMPTY, EPERM, EROFS}
OURS = Path(__file__).parents[1]
DEBUG = "CALIB_DEBUG"  # environment variable: with any text in it a fault is a traceback
SHOWN = 12  # frames that are reported, the innermost ones
NO_MEMORY = ("There is not enough memory for this.", "Close other programs, or ask for less at once.")


def is_debug() -> bool:
    return bool(os.environ.get(DEBUG))


def in_words(error: BaseException, command: str) -> tuple[str, str]:
    """Message and hint of a fault: where it happened in our files, but no names, values or paths of the user's.

    command : which one was called, one of ours or ''
    """
    if isinstance(error, MemoryError):
        return NO_MEMORY
    report = "; ".join(
        [
            f"calib {version('calib')}, Python {platform.python_version()} on {platform.system()}",
            f"command {command or 'none'}",
            " after ".join(_kinds(error)),
            f"at {', '.join(_frames(error)) or 'no line of ours'}",
        ]
    )
    return (
        f"This is a fault of calib, not of your files. Its report: {report}.",
        "Please send that line to whoever keeps calib for you; no name, value or path of yours is in it. "
        f"Developers see more with {DEBUG}=1.",
    )


def of_the_system(error: OSError) -> tuple[str, str] | None:
    """Message and hint where a name, a right or the space on a disk is at fault, which the user can mend."""
    if error.errno == ENOSPC:
        return "The disk is full.", "Free some space; what was stored before is as it was."
    if error.errno not in USERS or error.filename is None:
        return None
    return (
        f"{shown(Path(os.fsdecode(error.filename)))} cannot be used: {error.strerror}.",
        "Check its name and its rights.",
    )


def _kinds(error: BaseException) -> list[str]:
    """The error's kind, and those of the errors that it followed."""
    seen: list[BaseException] = []
    following: BaseException | None = error
    while following is not None and following not in seen:
        seen.append(following)
        following = following.__cause__ or following.__context__
    return [type(error).__name__ for error in seen]


def _frames(error: BaseException) -> list[str]:
    """File and line of each of our frames, the innermost last."""
    stack = [*traceback.extract_tb(error.__traceback__), *getattr(error, "elsewhere", ())]  # in another process of ours
    paths = [(Path(frame.filename), frame.lineno) for frame in stack]
    ours = [f"{path.relative_to(OURS).as_posix()}:{line}" for path, line in paths if path.is_relative_to(OURS)]
    return ours[-SHOWN:]


def reader_has_left() -> None:
    """Whoever read our output (head, less) has seen enough: nothing more is written, not at the end either."""
    for stream in (sys.stdout, sys.stderr):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
