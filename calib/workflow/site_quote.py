"""A site's quote of one part, and the day on which its customer would have it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

from calib.documents.company import SiteQuote
from calib.errors import NoPlanError
from calib.quoting.promise import open_days_later
from calib.shop.read_shop import read_shop
from calib.workflow.order import QuoteAsk
from calib.workflow.quote import quote_lines

SURE = (
    0.9  # chance of each site's day where none is asked for: the same for all, whatever their shop files promise with
)


def quote_site(folder: Path, site: str, part: Path, quantity: int, ask: QuoteAsk) -> SiteQuote:
    """The earliest promise of the quote that the lab itself would give, with the carriage days of its shop file behind it.

    Nothing is written into the site's store. Raises UsageError or NoPlanError where the site cannot make it.
    """
    shop = read_shop(folder)
    asked = replace(ask, sure=ask.sure or SURE)
    document = quote_lines(folder, [asked.part(part, quantity)], asked, stores=False)
    if not document["options"]:
        raise NoPlanError("; ".join(dict.fromkeys(one["reason"] for one in document.get("out", []))))
    option, days = document["options"][0], int(shop.quoting["carriage_days"])
    cost = option["cost"]
    return {
        "site": site,
        "arrives": open_days_later(datetime.fromisoformat(option["promised_at"]).date(), days, shop).isoformat(),
        "promised_at": option["promised_at"],
        "promise_chance": option["promise_chance"],
        "carriage_days": days,
        "ready_at": option["ready_at"],
        "process": option["process"],
        "machine": option["machine"],
        "material": option["material"],
        "cost": {"p50": cost["p50"], "currency": cost["currency"]} if cost else None,
        "as_of": document.get("as_of"),
        "warnings": document.get("warnings", []),
    }
