"""What became of a night over many sites, as text."""

from __future__ import annotations

from calib.documents.week import SitesDocument
from calib.report.units import count

DID = {"fit": "learned", "drift": "looked at", "backtest": "replayed"}


def show_sites(doc: SitesDocument) -> str:
    """Counts, then a line for each site that has something to say."""
    lines = [
        f"{count(len(doc['sites']), 'site')}: {doc['done']} {DID[doc['what']]}, {doc['unchanged']} unchanged, {doc['left_out']} left out."
    ]
    lines += [f"{site['site']}: {site['says']}" for site in doc["sites"] if site["says"]]
    return "\n".join([*lines, f"Results: {doc['results']}"])
