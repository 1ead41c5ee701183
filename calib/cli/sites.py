"""``calib sites``"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import AsJson, progress_on_stderr


class What(StrEnum):
    """What is done at every site."""

    fit = "fit"
    drift = "drift"
    backtest = "backtest"


def sites(
    what: Annotated[What, typer.Argument(metavar="WHAT", help="fit, drift or backtest.")],
    company: Annotated[
        Path, typer.Argument(metavar="DIR", help="The company's store, which calib export --company writes.")
    ],
    engine: Annotated[str, typer.Option(metavar="NAME", help="local: processes on this machine.")] = "local",
    workers: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Sites at a time; default: as many as there are processors.")
    ] = None,
    weeks: Annotated[int | None, typer.Option(min=1, metavar="N", help="backtest: score the last N weeks.")] = None,
    strict: Annotated[bool, typer.Option("--strict", help="Exit status 1 if a site was left out.")] = False,
    json: AsJson = False,
) -> Answer:
    """All labs of a company: fit, drift or backtest at every site.

    fit learns what has changed since the last night, drift and backtest go by the last fit. A site that cannot be done is left
    out with a sentence, its last results stay, and the others go on. Results are Parquet below DIR/results.

    Example: calib sites fit company
    """
    from calib.sites.night import run_night

    document = run_night(company, what.value, engine, workers, weeks, progress_on_stderr())
    return Answer("sites", document, status=int(strict and document["left_out"] > 0))
