"""Where the files that ship with calib are: inside the package when installed, in the checkout when editable."""

from __future__ import annotations

from pathlib import Path

PACKAGE = Path(__file__).parent


def shipped_folder(name: str) -> Path:
    """Folder ``logs_schema`` or ``demo_logs``, wherever this copy of calib keeps it."""
    installed = PACKAGE / "data" / name
    return installed if installed.is_dir() else PACKAGE.parent / name
