"""Pages and tables on disk: written beside and moved into place, so that nobody reads half a page."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from calib.errors import UsageError


def write_page(out: Path, content: str) -> None:
    check_place(out)
    beside = _beside(out)
    try:
        beside.write_text(content, encoding="utf-8")
        beside.replace(out)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise UsageError(f"{out} cannot be written: {error.strerror}.", "Name another place.") from error


def check_place(out: Path | None) -> None:
    """UsageError where a page could not be written; asked before anything is stored that the page is to show."""
    if out is None:
        return
    if out.is_dir():
        raise UsageError(f"{out} is a folder.", "Name a file in it.")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        _beside(out).touch()
        _beside(out).unlink()
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error.strerror}.", "Name another place.") from error


def check_folder(out: Path) -> None:
    """UsageError where no page could be written into a folder, which need not be there yet; nothing is made."""
    there = next(one for one in (out, *out.absolute().parents) if os.path.exists(one))  # False where it may not be seen
    if not there.is_dir():
        raise UsageError(f"{there} is a file, so no page can be put into a folder {out}.", "Name a folder with --out.")
    if not os.access(there, os.W_OK | os.X_OK):
        raise UsageError(f"Nothing can be written into the folder {there}.", "Allow it, or name another with --out.")


def _beside(out: Path) -> Path:
    return out.with_name(out.name + ".part")


def write_sheet(out: Path, document: dict[str, Any], edition: str, agreed: dict[str, Any] | None = None) -> None:
    from calib.report.quote_sheet import quote_sheet  # templates are loaded only where a page is asked for

    write_page(out, quote_sheet(document, edition, agreed))


def write_comparison(out: Path, document: dict[str, Any]) -> None:
    from calib.report.compare_page import compare_page

    write_page(out, compare_page(document))
