"""A command's document as a text for people."""

from __future__ import annotations

from typing import Any

from calib.report import terminal, terminal_quote


def as_text(command: str, document: dict[str, Any], detail: bool = False) -> str:
    if command in {"quote", "compare"}:
        return getattr(terminal_quote, f"show_{command}")(
            document, **({"stages": detail} if command == "quote" else {})
        )
    return getattr(terminal, f"show_{command}")(document)
