"""What a long piece of work says of itself while it lasts."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str], None]  # takes a sentence; '' when all is done


def no_progress(text: str) -> None:
    """Say nothing."""
