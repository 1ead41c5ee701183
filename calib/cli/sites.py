"""``calib sites``"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import AsJson, Overwrite, progress_on_stderr
from calib.documents.company import SiteQuotesDocument
from calib.errors import UsageError


class What(StrEnum):
    """What is done at every site."""

    fit = "fit"
    drift = "drift"
    backtest = "backtest"
    report = "report"
    quote = "quote"


def sites(
    what: Annotated[What, typer.Argument(metavar="WHAT", help="fit, drift, backtest, report or quote.")],
    company: Annotated[
        str,
        typer.Argument(
            metavar="DIR",
            help="The company's store, which calib export --company writes: a folder, or a bucket's address.",
        ),
    ],
    part: Annotated[
        Path | None, typer.Argument(metavar="PART", help="quote, report: mesh file of the part.", show_default=False)
    ] = None,
    engine: Annotated[
        str, typer.Option(metavar="NAME", help="local: processes on this machine; spark: a cluster.")
    ] = "local",
    workers: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Sites at a time; default: as many as there are processors.")
    ] = None,
    weeks: Annotated[int | None, typer.Option(min=1, metavar="N", help="backtest: score the last N weeks.")] = None,
    qty: Annotated[int | None, typer.Option(min=1, metavar="N", help="quote, report: finished parts wanted.")] = None,
    process: Annotated[
        list[str] | None, typer.Option(metavar="P", help="quote: MEX, VPP or PBF; may be repeated.")
    ] = None,
    finish: Annotated[
        str | None, typer.Option(metavar="F", help="quote: as_built, supports_off, blasted or sanded.")
    ] = None,
    start: Annotated[
        str | None, typer.Option(metavar="TIME", help="quote: when work can start, by each site's clock; default: now.")
    ] = None,
    out: Annotated[Path, typer.Option(metavar="FILE", help="report: the page.")] = Path("company.html"),
    overwrite: Overwrite = False,
    strict: Annotated[bool, typer.Option("--strict", help="Exit status 1 if a site was left out.")] = False,
    json: AsJson = False,
) -> Answer:
    """All labs of a company: fit, drift or backtest at every site, a page of them all, and who should take an order.

    fit learns what has changed since the last night, drift and backtest go by the last fit; report is one page of what
    they left: who drifts, who drifts together, best and slowest practice, thin logs. A site that cannot be done is left
    out with a sentence, its last results stay, and the others go on. Results are Parquet below DIR/results.
    quote asks every site for PART, adds the carriage_days of its shop file, and lists them by the day of arrival; report PART
    puts that on its page.

    Example: calib sites fit company
    """
    if part is not None and what not in (What.quote, What.report):
        raise UsageError(f"calib sites {what.value} takes no part.", "Say: calib sites quote DIR PART --qty N")
    from calib.workflow.bucket import company_folder

    asked = process, finish, start
    with company_folder(company, night=what not in (What.quote, What.report)) as folder:
        if what is What.quote:
            return Answer("site_quotes", {**_quotes(folder, part, qty, asked), "company": company})
        if what is What.report:
            from calib.sites.company_report import write_company_page

            quotes = _quotes(folder, part, qty, asked) if part is not None else None
            return Answer("company", write_company_page(folder, out, overwrite, quotes))
        from calib.sites.night import run_night

        document = run_night(folder, what.value, engine, workers, weeks, progress_on_stderr())
        return Answer("sites", {**document, "company": company}, status=int(strict and document["left_out"] > 0))


def _quotes(
    company: Path, part: Path | None, qty: int | None, asked: tuple[list[str] | None, str | None, str | None]
) -> SiteQuotesDocument:
    from calib.sites.quotes import quote_sites
    from calib.workflow.order import QuoteAsk

    if part is None or qty is None:
        raise UsageError("A part and --qty are needed.", "Say: calib sites quote DIR PART --qty N")
    process, finish, start = asked
    ask = QuoteAsk(tuple(process or ()), start=start, finish=finish)
    return quote_sites(company, part, qty, ask, progress_on_stderr())
