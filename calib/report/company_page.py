"""Many sites on one page."""

from __future__ import annotations

from calib.documents.company import CompanyDocument
from calib.report.base import render


def company_page(doc: CompanyDocument) -> str:
    """HTML with everything inside and no script."""
    differ = sorted(
        (row for row in doc["practice"] if row["differ"]), key=lambda row: row["best"]["pct"] - row["slowest"]["pct"]
    )
    alike = [row for row in doc["practice"] if not row["differ"]]
    return render("company_page.html", doc=doc, practice=differ, alike=alike)
