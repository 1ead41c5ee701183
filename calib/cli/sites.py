"""``calib sites``"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import AsJson, Overwrite, progress_on_stderr


class What(StrEnum):
    """What is done at every site."""

    fit = "fit"
    drift = "drift"
    backtest = "backtest"
    report = "report"


def sites(
    what: Annotated[What, typer.Argument(metavar="WHAT", help="fit, drift, backtest or report.")],
    company: Annotated[
        Path, typer.Argument(metavar="DIR", help="The company's store, which calib export --company writes.")
    ],
    engine: Annotated[
        str, typer.Option(metavar="NAME", help="local: processes on this machine; spark: a cluster.")
    ] = "local",
    workers: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Sites at a time; default: as many as there are processors.")
    ] = None,
    weeks: Annotated[int | None, typer.Option(min=1, metavar="N", help="backtest: score the last N weeks.")] = None,
    out: Annotated[Path, typer.Option(metavar="FILE", help="report: the page.")] = Path("company.html"),
    overwrite: Overwrite = False,
    strict: Annotated[bool, typer.Option("--strict", help="Exit status 1 if a site was left out.")] = False,
    json: AsJson = False,
) -> Answer:
    """All labs of a company: fit, drift or backtest at every site, and a page of them all.

    fit learns what has changed since the last night, drift and backtest go by the last fit; report is one page of what
    they left: who drifts, who drifts together, best and slowest practice, thin logs. A site that cannot be done is left
    out with a sentence, its last results stay, and the others go on. Results are Parquet below DIR/results.

    Example: calib sites fit company
    """
    if what is What.report:
        from calib.sites.company_report import write_company_page

        return Answer("company", write_company_page(company, out, overwrite))
    from calib.sites.night import run_night

    document = run_night(company, what.value, engine, workers, weeks, progress_on_stderr())
    return Answer("sites", document, status=int(strict and document["left_out"] > 0))
