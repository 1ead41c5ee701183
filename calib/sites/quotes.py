"""Which site should take an order: the quote of each, with the way to the customer."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from calib.documents.company import SiteOut, SiteQuote, SiteQuotesDocument
from calib.errors import CalibError
from calib.sites.task import WORK
from calib.workflow.company import site_names
from calib.workflow.order import QuoteAsk
from calib.workflow.site_quote import quote_site

NOT_YET = "nothing was learned from it yet: calib sites fit"


def quote_sites(
    company: Path, part: Path, quantity: int, ask: QuoteAsk, progress: Callable[[str], None] = lambda text: None
) -> SiteQuotesDocument:
    """The ``sites quote`` document (docs/interface.md): sites in order of the day on which the customer has the parts.

    Each site answers from its shop file, model and queue as the last night left them. Raises UsageError for a folder without sites.
    """
    started = time.perf_counter()
    quotes: list[SiteQuote] = []
    out: list[SiteOut] = []
    names = site_names(company)
    for number, site in enumerate(names):
        progress(f"Asking site {number + 1} of {len(names)} ...")
        folder = company / WORK / site
        if not (folder / "shop.toml").exists():
            out.append({"site": site, "reason": NOT_YET})
            continue
        try:
            quotes.append(quote_site(folder, site, part, quantity, ask))
        except CalibError as error:
            out.append({"site": site, "reason": str(error)})
    progress("")
    quotes.sort(key=lambda one: (one["arrives"], one["promised_at"][:16], one["site"]))
    return {
        "company": str(company), "part": part.name, "quantity": quantity, "sites": quotes, "out": out,
        "seconds": round(time.perf_counter() - started, 3),
    }  # fmt: skip
