"""``calib compare``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, Overwrite, ShopFolder, progress_on_stderr


def compare(
    part: Annotated[Path, typer.Argument(metavar="PART", help="Mesh file of the part.")],
    qty: Annotated[str, typer.Option(metavar="LIST", help="Quantities: 1,5,20 or a span 1:200.")],
    process: Annotated[
        list[str] | None, typer.Option(metavar="P", help="MEX, VPP or PBF; may be repeated. Default: all the shop has.")
    ] = None,
    finish: Annotated[str | None, typer.Option(metavar="F", help="as_built, supports_off, blasted or sanded.")] = None,
    start: Annotated[str | None, typer.Option(metavar="TIME", help="When work can start; default: now.")] = None,
    seed: Annotated[int, typer.Option(min=0, metavar="N", help="Seed of the random draws.")] = 0,
    unit: Annotated[str | None, typer.Option(metavar="UNIT", help="Unit of a mesh file that carries none.")] = None,
    pose: Annotated[
        str, typer.Option(metavar="SIDE", help="Side down, by the file's axes: z- (as it lies), z+, x-, x+, y-, y+.")
    ] = "",
    page: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Also write it as an HTML page with charts.")
    ] = None,
    overwrite: Overwrite = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Show which process is first at which quantity, and where it is too close to call.

    Example: calib compare bracket.stl --qty 1:60
    """
    from calib.workflow.order import QuoteAsk
    from calib.workflow.quote import compare_part

    ask = QuoteAsk(tuple(process or ()), start=start, seed=seed, finish=finish, unit=unit, pose=pose)
    document = compare_part(shop, part, qty, ask, page, overwrite, progress_on_stderr())
    return Answer("compare", document)
