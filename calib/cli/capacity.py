"""``calib capacity``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder, progress_on_stderr


def capacity(
    plan: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Builds to be made, as for calib predict. Default: the last weeks'."),
    ] = None,
    weeks: Annotated[
        float | None, typer.Option(metavar="N", help="Weeks of the demand. Default: the last 4; a plan's: 1.")
    ] = None,
    patch: Annotated[
        Path | None,
        typer.Option("--if", metavar="PATCH", help="A patch on the shop file (TOML): today beside changed."),
    ] = None,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Show how full every machine, station and crew is, the bottleneck, and what one more would give.

    Example: calib capacity --weeks 8
    """
    if patch is not None and plan is None:
        from calib.workflow.what_if import what_if_weeks

        return Answer("what_if_weeks", what_if_weeks(shop, patch, weeks, progress=progress_on_stderr()))
    from calib.workflow.capacity import find_capacity

    document = find_capacity(shop, plan=plan, weeks=weeks, patch=patch, progress=progress_on_stderr())
    return Answer("capacity", document)
