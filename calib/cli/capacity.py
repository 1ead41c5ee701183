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
    from calib.workflow.capacity import find_capacity

    document = find_capacity(shop, plan=plan, weeks=weeks, patch=patch, progress=progress_on_stderr())
    return Answer("capacity", document)
