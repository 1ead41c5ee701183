"""What a long piece of work says of itself while it lasts: a sentence, or how much of it is done."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str], None]  # takes a sentence; '' when all is done
Count = Callable[[int, int], None]  # takes what is done, and all


def no_progress(text: str) -> None:
    """Say nothing."""


def no_count(done: int, total: int) -> None:
    """Say nothing."""


def counted(progress: Progress, text: str) -> Count:
    """``progress`` by counts: ``text`` with the numbers of what is done and of all."""
    return lambda done, total: progress(text.format(done, total))
