"""``calib why``"""

from __future__ import annotations

from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder


def why(
    process: Annotated[str, typer.Argument(metavar="PROCESS", help="The process, e.g. PBF.")],
    stage: Annotated[str, typer.Argument(metavar="STAGE", help="The stage, e.g. blasting.")],
    persons: Annotated[
        bool,
        typer.Option("--persons", help="Also each person with ten runs or more, by alias: whom to ask, not a ranking."),
    ] = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Say why a stage takes what it takes: effects, odd runs, and what would narrow its range.

    Example: calib why PBF blasting
    """
    from calib.workflow.why import explain

    return Answer("why", explain(shop, process, stage, persons=persons))
