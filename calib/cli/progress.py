"""Progress of long work on standard error: a bar once it has taken two seconds, where a person watches; else nothing."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from threading import Lock, Timer
from typing import Any

from calib.cli.printable import printable

AFTER_S = 2.0
DONE_OF = re.compile(r"(\d+) of (\d+)")  # 'Reading 3 of 25: june.csv ...' tells how far it is


class Bar:
    """Called with each step as a text; a text that says '3 of 25' moves the bar, one that does not lets it run.

    after_s : how long work must take before anything is shown
    console : where it is drawn; standard error if None
    """

    def __init__(self, after_s: float = AFTER_S, console: Any = None) -> None:
        self.console, self.text, self.closed = console, "", False
        self.shown: Any = None
        self.lock = Lock()
        self.timer = Timer(after_s, self._show)
        self.timer.daemon = True
        self.timer.start()

    def __call__(self, text: str) -> None:
        with self.lock:
            self.text = text
            if self.shown is not None and text:
                _move(self.shown, text)

    def close(self) -> None:
        """Take the bar off the screen."""
        self.timer.cancel()
        with self.lock:
            self.closed = True
            if self.shown is not None:
                self.shown.stop()

    def _show(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}", markup=False), BarColumn(bar_width=30), TimeElapsedColumn())
        made = Progress(*columns, console=self.console or Console(stderr=True), transient=True, refresh_per_second=4)
        made.add_task("", total=None)
        with self.lock:
            if not self.closed:
                _move(made, self.text)
                made.start()
                self.shown = made


def _move(shown: Any, text: str) -> None:
    done, total = _state(text)
    shown.update(shown.task_ids[0], description=printable(text), completed=done)
    shown.tasks[0].total = total  # ``update`` takes None for 'as before'


def _state(text: str) -> tuple[int, int | None]:
    """How much is done, and of how much; None of one thing alone, which runs until it is done.

    >>> _state("Reading 3 of 25: june.csv ..."), _state("Reading 1 of 1: june.csv ...")
    ((3, 25), (0, None))
    """
    done = DONE_OF.search(text)
    if done is None or done.group(2) == "1":
        return 0, None
    return int(done.group(1)), int(done.group(2))


_open: list[Bar] = []


def start_progress() -> Callable[[str], None]:
    """A bar where standard error is a terminal, else a function that says nothing."""
    if not sys.stderr.isatty():
        return lambda text: None
    _open.append(Bar())
    return _open[-1]


def end_progress() -> None:
    """Close every bar, before anything else is printed."""
    while _open:
        _open.pop().close()
