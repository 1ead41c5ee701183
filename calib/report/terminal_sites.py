"""What became of a night over many sites, as text."""

from __future__ import annotations

from calib.documents.company import CompanyDocument
from calib.documents.week import SitesDocument
from calib.report.units import count

DID = {"fit": "learned", "drift": "looked at", "backtest": "replayed"}


def show_sites(doc: SitesDocument) -> str:
    """Counts, then a line for each site that has something to say."""
    lines = [
        f"{count(len(doc['sites']), 'site')}: {doc['done']} {DID[doc['what']]}, {doc['unchanged']} unchanged, {doc['left_out']} left out."
    ]
    lines += [f"{site['site']}: {site['says']}" for site in doc["sites"] if site["says"]]
    if prior := doc["prior"]:
        lines.append(
            prior["says"]
            or f"{count(prior['laws'], 'law')} of {prior['sites']} sites for new ones: calib fit --prior {prior['path']}"
        )
    return "\n".join([*lines, f"Results: {doc['results']}"])


def show_company(doc: CompanyDocument) -> str:
    """What the page says, in short."""
    differ = sum(row["differ"] for row in doc["practice"])
    lines = [
        f"{count(len(doc['drifting']), 'stage')} moved at some site, {len(doc['together'])} at several sites together.",
        f"{differ} of {count(len(doc['practice']), 'stage')} differ between sites by more than chance.",
    ]
    lines += [
        f"{row['process']} {row['stage'].replace('_', ' ')} since {row['first']}: {', '.join(row['sites'])}"
        for row in doc["together"]
    ]
    return "\n".join(lines)
