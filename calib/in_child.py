"""Readers of foreign formats run in a child process with limits of memory and time; its death is a sentence.

Their libraries are other people's code over other people's bytes: they run out of memory, go round in circles, and
end with a signal, which takes the whole program along.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from calib.errors import CalibError
from calib.scratch import scratch_folder

MEMORY_BYTES = 768 << 20  # beside what the interpreter takes: together below 1 GB
PER_BYTE = 20  # of memory for each byte of a large file
WRITTEN_PER_BYTE = 100  # logs pack 3 to 30 times
CPU_S = 55
WAIT_S = 600.0  # by the clock, where others keep the machine busy
ASKED, ANSWERED = "asked", "answered"
_MAIN = "import sys; from calib.in_child import main; main(*sys.argv[1:])"
Answer = TypeVar("Answer")


def in_child(function: Callable[..., Answer], *arguments: Any, size: int, name: str, kind: type[CalibError]) -> Answer:
    """What ``function(*arguments)`` returns, or the CalibError that it raises.

    function : of a module, so that the child finds it
    size : bytes of the file that it reads, which decide how much memory it may take
    name, kind : of the file, and of the error that is raised where the child ends without an answer
    """
    with scratch_folder() as folder:
        Path(folder, ASKED).write_bytes(pickle.dumps((function, arguments)))
        # -P: the current folder, which may be anybody's, is no place to import from
        with contextlib.suppress(subprocess.TimeoutExpired):
            subprocess.run(
                [sys.executable, "-P", "-c", _MAIN, folder, str(size)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                timeout=WAIT_S,
                check=False,
                env=_environment(),
            )
        answer: Answer
        try:
            with Path(folder, ANSWERED).open("rb") as opened:
                answer, error = pickle.load(opened)
        except (FileNotFoundError, EOFError, pickle.UnpicklingError):
            raise kind(
                f"{name} cannot be read in the memory ({_memory(size) >> 20} MB) and time ({CPU_S} s) that such a file "
                "may take, or it stops its reader.",
                "Is it damaged, or made to harm? Save it anew, or in parts.",
            ) from None
    if error is not None:
        raise error
    return answer


def _environment() -> dict[str, str]:
    """One thread each: on a large machine the libraries' threads reserve more than all that is allowed."""
    path = os.pathsep.join(filter(None, [str(Path(__file__).parents[1]), os.environ.get("PYTHONPATH")]))
    return {
        **os.environ,
        "PYTHONPATH": path,
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
        "MALLOC_ARENA_MAX": "2",
    }


def main(folder: str, size: str) -> None:
    """In the child: answer what was asked. Without memory, or with a panic, it ends without an answer."""
    _limit(int(size))
    function, arguments = pickle.loads(Path(folder, ASKED).read_bytes())
    try:
        answer, error = function(*arguments), None
    except MemoryError:
        os._exit(1)
    except Exception as raised:
        answer, error = None, raised
    unfinished = Path(folder, f"{ANSWERED}.part")
    with unfinished.open("wb") as out:
        pickle.dump((answer, error), out, protocol=5)
    unfinished.rename(Path(folder, ANSWERED))


def _memory(size: int) -> int:
    return max(MEMORY_BYTES, PER_BYTE * size)


def _limit(size: int) -> None:
    """Where the system knows limits."""
    try:
        import resource
    except ImportError:
        return
    written = max(1 << 28, WRITTEN_PER_BYTE * size)
    for what, most in (
        (resource.RLIMIT_AS, _address_space() + _memory(size)),
        (resource.RLIMIT_CPU, CPU_S),
        (resource.RLIMIT_FSIZE, written),
        (resource.RLIMIT_CORE, 0),
    ):
        with contextlib.suppress(ValueError, OSError):  # a lower one is there already
            resource.setrlimit(what, (most, most))


def _address_space() -> int:
    try:
        return int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, AttributeError):
        return 1 << 29
