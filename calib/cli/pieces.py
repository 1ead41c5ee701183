"""``calib pieces``"""

from __future__ import annotations

from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder
from calib.errors import UsageError


def pieces(
    good: Annotated[int, typer.Argument(metavar="N", help="Good pieces wanted.")],
    process: Annotated[
        list[str] | None, typer.Option(metavar="P", help="MEX, VPP or PBF; may be repeated. Default: all the shop has.")
    ] = None,
    sure: Annotated[float, typer.Option(metavar="CHANCE", help="Chance of enough good ones.")] = 0.9,
    yield_share: Annotated[
        float | None, typer.Option("--yield", metavar="SHARE", help="Share of good pieces, instead of the learned one.")
    ] = None,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Say how many pieces to start so that enough are good, from the yield that the logs show.

    Example: calib pieces 60 --sure 0.95
    """
    from calib.workflow.pieces import find_pieces

    if good < 1:
        raise UsageError(f"{good} good pieces cannot be planned: 1 or more expected.")
    if not 0 < sure < 1:
        raise UsageError(f"--sure {sure:g} is not a chance.", "Give a number between 0 and 1, such as 0.9.")
    if yield_share is not None and not 0 < yield_share <= 1:
        raise UsageError(f"--yield {yield_share:g} is not a share.", "Give more than 0 and at most 1, such as 0.97.")
    return Answer("pieces", find_pieces(shop, good, process or [], sure, yield_share))
