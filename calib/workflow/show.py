"""A command's document as a text for people."""

from __future__ import annotations

from typing import Any

from calib.report import (
    terminal,
    terminal_capacity,
    terminal_compare,
    terminal_drift,
    terminal_import,
    terminal_model,
    terminal_orders,
    terminal_path,
    terminal_quote,
    terminal_steps,
    terminal_store,
    terminal_week,
    terminal_what_if,
    terminal_why,
)

ROOMS = (
    terminal,
    terminal_capacity,
    terminal_compare,
    terminal_drift,
    terminal_import,
    terminal_model,
    terminal_orders,
    terminal_path,
    terminal_quote,
    terminal_steps,
    terminal_store,
    terminal_week,
    terminal_what_if,
    terminal_why,
)


def as_text(command: str, document: dict[str, Any], detail: bool = False, why: bool = False) -> str:
    if command == "quote":
        return terminal_quote.show_quote(document, stages=detail, why=why)
    name = f"show_{command}"
    room = next(room for room in ROOMS if hasattr(room, name))
    return getattr(room, name)(document)
