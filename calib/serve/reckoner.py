"""Long work in a process of its own: no tap, and no page, waits for the interpreter that a question keeps busy."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import traceback
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import wait
from typing import ParamSpec, Protocol, TypeVar

from calib.errors import CalibError

GIVES_WAY = 5  # where both want the processor, taps and pages come first; our choice
Asked = ParamSpec("Asked")
Answer = TypeVar("Answer")


class Runs(Protocol):
    """What does a piece of work and gives its answer, here or elsewhere."""

    def __call__(self, work: Callable[Asked, Answer], /, *args: Asked.args, **kwargs: Asked.kwargs) -> Answer: ...


def here(work: Callable[Asked, Answer], /, *args: Asked.args, **kwargs: Asked.kwargs) -> Answer:
    return work(*args, **kwargs)


class Reckoner:
    """One process, begun with the first piece of work, which keeps what it has read for the next."""

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None

    def __call__(self, work: Callable[Asked, Answer], /, *args: Asked.args, **kwargs: Asked.kwargs) -> Answer:
        """The answer of a function of a module; from one thread at a time. Raises what it raised.

        Raises CalibError where the process ended without an answer.
        """
        if self._pool is None:
            self._pool = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"), _begin)
        try:
            return self._pool.submit(_answer, work, args, kwargs).result()
        except BrokenProcessPool:
            self.close()
            raise CalibError(
                "This work was ended before it had an answer; memory may be short.", "Ask again, or for less at once."
            ) from None

    def close(self) -> None:
        """Finish what runs, and end the process."""
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None


def _begin() -> None:
    """In the process, first: the server alone hears signals, and it ends with the server, however that ends."""
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(GIVES_WAY)
    threading.Thread(target=_end_with_server, daemon=True).start()


def _end_with_server() -> None:
    server = multiprocessing.parent_process()
    assert server is not None
    wait([server.sentinel])
    os._exit(1)


def _answer(work: Callable[..., Answer], args: tuple[object, ...], kwargs: dict[str, object]) -> Answer:
    """Whose fault says where it happened, which does not come along otherwise."""
    try:
        return work(*args, **kwargs)
    except Exception as error:
        error.elsewhere = traceback.extract_tb(error.__traceback__)  # type: ignore[attr-defined]
        raise
