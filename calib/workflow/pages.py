"""The pages that a command was asked for: where they go, and what is drawn on them."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from calib.documents.compare import CompareDocument
from calib.documents.quote import Agreed, QuoteDocument
from calib.errors import UsageError
from calib.results import INWARD, SHEET, WEEK, Result, check_results, refuse_own_place


def check_folder(out: Path) -> None:
    """Raises UsageError where no page could be written into a folder, which need not be there yet; nothing is made."""
    refuse_own_place(out / "page", WEEK)
    there = next(
        place for place in (out, *out.absolute().parents) if os.path.exists(place)
    )  # False where it may not be seen
    if not there.is_dir():
        raise UsageError(f"{there} is a file, so no page can be put into a folder {out}.", "Name a folder with --out.")
    if not os.access(there, os.W_OK | os.X_OK):
        raise UsageError(f"Nothing can be written into the folder {there}.", "Allow it, or name another with --out.")


@dataclass(frozen=True)
class Sheets:
    """Where the copies of a quote's sheet go that are asked for: the customer's, and the internal one.

    overwrite : whatever stands in the place of a sheet is replaced
    """

    outward: Path | None = None
    inward: Path | None = None
    overwrite: bool = False

    def results(self, reads: tuple[Path, ...] = ()) -> dict[str, Result]:
        """Results by edition, asked for their places; reads : files that must not be written over."""
        asked = {"outward": (self.outward, SHEET), "inward": (self.inward, INWARD)}
        results = {
            edition: Result(out, kind, self.overwrite, reads)
            for edition, (out, kind) in asked.items()
            if out is not None
        }
        check_results(*results.values())
        return results


NO_SHEETS = Sheets()


def write_sheets(results: Mapping[str, Result], document: QuoteDocument, agreed: Agreed | None = None) -> None:
    from calib.report.quote_sheet import quote_sheet  # templates are loaded only where a page is asked for

    for edition, result in results.items():
        result.write(quote_sheet(document, edition, agreed))


def write_comparison(result: Result, document: CompareDocument) -> None:
    from calib.report.compare_page import compare_page

    result.write(compare_page(document))
