"""A command's document as a text for people."""

from __future__ import annotations

from typing import Any

from calib.report import (
    terminal,
    terminal_answer,
    terminal_compare,
    terminal_drift,
    terminal_import,
    terminal_model,
    terminal_orders,
    terminal_part,
    terminal_quote,
    terminal_shop,
    terminal_sites,
    terminal_store,
    terminal_week,
)

ROOMS = (
    terminal,
    terminal_compare,
    terminal_drift,
    terminal_import,
    terminal_model,
    terminal_orders,
    terminal_part,
    terminal_quote,
    terminal_shop,
    terminal_sites,
    terminal_store,
    terminal_week,
)


def as_text(command: str, document: Any, detail: bool = False, why: bool = False, everything: bool = False) -> str:
    """The text, its lines no longer than the terminal is wide where there is one; a short answer's anywhere."""
    columns = terminal.terminal_columns(0)
    if command == "quote" and not (detail or why or everything):
        columns = columns or terminal_answer.NARROW
        text = terminal_answer.show_answer(document)
    elif command == "quote":
        text = terminal_quote.show_quote(document, stages=detail, why=why)
    else:
        name = f"show_{command}"
        room = next(room for room in ROOMS if hasattr(room, name))
        text = getattr(room, name)(document)
    return terminal.wrapped(text, columns) if columns else text
