"""Pages on disk: written beside and moved into place, so that nobody reads half a page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from calib.errors import UsageError


def write_page(out: Path, html: str) -> None:
    beside = out.with_name(out.name + ".part")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(html, encoding="utf-8")
        beside.replace(out)
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error.strerror}.", "Name another place.") from error


def write_sheet(out: Path, document: dict[str, Any], edition: str, agreed: dict[str, Any] | None = None) -> None:
    from calib.report.quote_sheet import quote_sheet  # templates are loaded only where a page is asked for

    write_page(out, quote_sheet(document, edition, agreed))


def write_comparison(out: Path, document: dict[str, Any]) -> None:
    from calib.report.compare_page import compare_page

    write_page(out, compare_page(document))
