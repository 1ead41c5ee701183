"""Many sites on one page."""

from __future__ import annotations

from typing import Any

from calib.documents.company import CompanyDocument, SiteQuotesDocument
from calib.report.base import render
from calib.report.site_quotes import COLUMNS, NOT_PLANNED, quote_notes, quote_rows, who_is_first
from calib.safety import take_care


def company_page(doc: CompanyDocument) -> str:
    """HTML with everything inside and no script."""
    differ = sorted(
        (row for row in doc["practice"] if row["differ"]), key=lambda row: row["best"]["pct"] - row["slowest"]["pct"]
    )
    alike = [row for row in doc["practice"] if not row["differ"]]
    return render("company_page.html", doc=doc, practice=differ, alike=alike, order=_order(doc["quotes"]))


def _order(quotes: SiteQuotesDocument | None) -> dict[str, Any] | None:
    """What the page says of who should take an order."""
    if quotes is None:
        return None
    columns = [(name.removeprefix(">"), name.startswith(">")) for name in COLUMNS.split("|")]
    care = take_care(one["process"] for one in quotes["sites"]) if quotes["sites"] else ""
    return {
        "first": who_is_first(quotes),
        "columns": columns,
        "rows": quote_rows(quotes),
        "notes": [*quote_notes(quotes), NOT_PLANNED, care] if quotes["sites"] else [],
    }
