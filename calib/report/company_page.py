"""Many sites on one page."""

from __future__ import annotations

from calib.documents.company import CompanyDocument
from calib.report.base import render


def company_page(doc: CompanyDocument) -> str:
    """HTML with everything inside and no script."""
    differ = [row for row in doc["practice"] if row["differ"]]
    order = sorted(doc["practice"], key=lambda row: row["best"]["pct"] - row["slowest"]["pct"])
    return render("company_page.html", doc=doc, differ=len(differ), practice=order)
