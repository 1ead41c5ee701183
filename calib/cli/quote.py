"""``calib quote``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder, progress_on_stderr


def quote(
    part: Annotated[Path, typer.Argument(metavar="PART", help="Mesh file of the part.")],
    qty: Annotated[int, typer.Option(min=1, metavar="N", help="Finished parts wanted.")],
    process: Annotated[
        list[str] | None, typer.Option(metavar="P", help="MEX, VPP or PBF; may be repeated. Default: all the shop has.")
    ] = None,
    due: Annotated[str | None, typer.Option(metavar="TIME", help="Date or time to keep; its chance is given.")] = None,
    finish: Annotated[
        str | None,
        typer.Option(
            metavar="F", help="as_built, supports_off, blasted or sanded. Default: supports_off; PBF blasted."
        ),
    ] = None,
    start: Annotated[str | None, typer.Option(metavar="TIME", help="When the clock starts; default: now.")] = None,
    seed: Annotated[int, typer.Option(metavar="N", help="Seed of the random draws.")] = 0,
    sure: Annotated[
        float, typer.Option(min=0.5, max=0.99, metavar="CHANCE", help="Chance that the promised date should have.")
    ] = 0.9,
    why: Annotated[bool, typer.Option("--why", help="Show the terms behind every baseline minute.")] = False,
    stages: Annotated[bool, typer.Option("--stages", help="Show every stage of every option.")] = False,
    unit: Annotated[str | None, typer.Option(help="Unit of a mesh file that carries none.")] = None,
    sheet: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the quote sheet as HTML: outward edition.")
    ] = None,
    inward: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the inward edition: stages, hands, cost, basis.")
    ] = None,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Say when finished parts will be there: the options side by side, each with a range.

    Example: calib quote bracket.stl --qty 20 --due 2026-12-04
    """
    from calib.workflow.quote import quote_part

    document = quote_part(
        shop, part, qty, processes=process or [], due=due, finish=finish, start=start, seed=seed, sure=sure,
        unit=unit, sheet=sheet, inward=inward, progress=progress_on_stderr(),
    )  # fmt: skip
    return Answer("quote", document, detail=stages, why=why)
