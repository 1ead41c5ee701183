"""Quotes of one part at many sites: the sentence and the table that terminal and page show alike."""

from __future__ import annotations

from calib.documents.company import SiteQuotesDocument
from calib.report.units import chance, count, half_day_time, joined, short_day

COLUMNS = "Site|At the customer|Promised ready|>Sure|>Carriage, days|Ready 8 of 10 times|By|>Usual cost"
NOT_PLANNED = "Orders that a site has accepted and not yet planned are not in its logs: ask it before you promise."


def who_is_first(doc: SiteQuotesDocument) -> str:
    asked = f"{doc['part']}, {count(doc['quantity'], 'part')}"
    if not doc["sites"]:
        return f"{asked}: no site can make it."
    best = [one["site"] for one in doc["sites"] if one["arrives"] == doc["sites"][0]["arrives"]]
    return f"{asked}: {joined(best)} {'has' if len(best) == 1 else 'have'} it there first."


def quote_rows(doc: SiteQuotesDocument) -> list[list[str | int]]:
    """A row for each site, in COLUMNS."""
    if not doc["sites"]:
        return []
    now = doc["sites"][0]["ready_at"]["p10"]
    return [
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


def quote_notes(doc: SiteQuotesDocument) -> list[str]:
    return [f"{one['site']}: {text}" for one in doc["sites"] for text in one["warnings"]]
