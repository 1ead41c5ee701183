"""What became of a night over many sites, as text."""

from __future__ import annotations

from calib.documents.company import CompanyDocument, SiteQuotesDocument
from calib.documents.week import SitesDocument
from calib.report.terminal import as_text, table
from calib.report.units import chance, count, half_day_time, joined, short_day
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
    return "\n".join(lines)


def show_site_quotes(doc: SiteQuotesDocument) -> str:
    """Who should take the order: sites by the day of arrival, then those that cannot make it, and why."""
    asked = f"{doc['part']}, {count(doc['quantity'], 'part')}"
    out = [f"{one['site']}: {one['reason']}" for one in doc["out"]]
    if not doc["sites"]:
        return "\n".join([f"{asked}: no site can make it.", *out])
    now = doc["sites"][0]["ready_at"]["p10"]
    rows = [
        [
            one["site"],
            short_day(one["arrives"], now),
            half_day_time(one["promised_at"], now),
            chance(one["promise_chance"]),
            one["carriage_days"],
            f"{short_day(one['ready_at']['p10'], now)} to {short_day(one['ready_at']['p90'], now)}",
            f"{one['process']} {one['machine']}",
            f"{one['cost']['p50']:.0f} {one['cost']['currency']}" if one["cost"] else "",
        ]
        for one in doc["sites"]
    ]
    columns = "Site|At the customer|Promised ready|>Sure|>Carriage, days|Ready 8 of 10 times|By|>Usual cost"
    notes = [f"{one['site']}: {text}" for one in doc["sites"] for text in one["warnings"]]
    best = [one["site"] for one in doc["sites"] if one["arrives"] == doc["sites"][0]["arrives"]]
    first = f"{joined(best)} {'has' if len(best) == 1 else 'have'} it there first."
    return as_text(
        f"{asked}: {first}",
        table(columns, rows),
        *(["Cannot:", *out] if out else []),
        *notes,
        "Orders that a site has accepted and not yet planned are not in its logs: ask it before you promise.",
        take_care(one["process"] for one in doc["sites"]),
    )
