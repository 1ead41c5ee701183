"""What a command gives back: a document for programs, a text for people, an exit status."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from calib.cli.printable import UNSEEN


@dataclass(frozen=True)
class Answer:
    """command : whose document it is, which decides how it is shown to a person; the others: how much of it"""

    command: str
    document: Mapping[str, Any]
    status: int = 0
    detail: bool = False
    why: bool = False
    everything: bool = False

    def as_text(self) -> str:
        from calib.workflow.show import as_text

        return as_text(self.command, self.document, detail=self.detail, why=self.why, everything=self.everything)


def plain(value: Any) -> Any:
    """The value as JSON knows it: no NaN or Infinity, no numpy, times as ISO 8601."""
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    if isinstance(value, datetime | date):
        return value.isoformat() if value == value else None
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "tolist"):  # numpy arrays and numbers
        return plain(value.tolist())
    return None if str(value) in {"<NA>", "NaT"} else str(value)


def print_document(document: Mapping[str, Any]) -> None:
    """The document on one line; what cannot be seen in it is escaped, which JSON reads as the same text."""
    print(escaped(json.dumps(plain(document), ensure_ascii=False, allow_nan=False)))


def escaped(text: str) -> str:
    r"""JSON text without controls and marks of direction.

    >>> print(escaped('"a\u202eb"'))
    "a\u202eb"
    """
    return UNSEEN.sub(lambda match: json.dumps(match[0])[1:-1] if ord(match[0]) != 0x7F else r"\u007f", text)


def error_document(message: str, hint: str) -> dict[str, Any]:
    return {"error": {"message": message, "hint": hint}}
