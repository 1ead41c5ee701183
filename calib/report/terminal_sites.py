"""What became of a night over many sites, as text."""

from __future__ import annotations

from calib.documents.company import CompanyDocument, SiteQuotesDocument
from calib.documents.week import SitesDocument
from calib.report.site_quotes import COLUMNS, NOT_PLANNED, quote_notes, quote_rows, who_is_first
from calib.report.terminal import as_text, table
from calib.report.units import count
from calib.safety import take_care

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
    if doc["quotes"]:
        lines.append(who_is_first(doc["quotes"]))
    return "\n".join(lines)


def show_site_quotes(doc: SiteQuotesDocument) -> str:
    """Who should take the order: sites by the day of arrival, then those that cannot make it, and why."""
    out = [f"{one['site']}: {one['reason']}" for one in doc["out"]]
    if not doc["sites"]:
        return "\n".join([who_is_first(doc), *out])
    return as_text(
        who_is_first(doc),
        table(COLUMNS, quote_rows(doc)),
        *(["Cannot:", *out] if out else []),
        *quote_notes(doc),
        NOT_PLANNED,
        take_care(one["process"] for one in doc["sites"]),
    )
