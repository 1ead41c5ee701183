"""``calib quote``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, Overwrite, ShopFolder, progress_on_stderr
from calib.errors import UsageError


def quote(
    part: Annotated[
        Path, typer.Argument(metavar="PART", help="Mesh file of the part; or an order of several, a CSV or TOML file.")
    ],
    qty: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Finished parts wanted; an order file says it itself.")
    ] = None,
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
    start: Annotated[str | None, typer.Option(metavar="TIME", help="When work can start; default: now.")] = None,
    seed: Annotated[int, typer.Option(min=0, metavar="N", help="Seed of the random draws.")] = 0,
    sure: Annotated[
        float | None,
        typer.Option(
            min=0.5, max=0.99, metavar="CHANCE", help="Chance of the promised date. Default: the shop file's, else 0.9."
        ),
    ] = None,
    needs: Annotated[
        list[str] | None,
        typer.Option(metavar="WORD", help="What the part must stand, as in the shop's fit_for; may be repeated."),
    ] = None,
    patch: Annotated[
        Path | None,
        typer.Option("--if", metavar="PATCH", help="A patch on the shop file (TOML): today beside changed."),
    ] = None,
    why: Annotated[bool, typer.Option("--why", help="Show the terms behind every baseline minute.")] = False,
    stages: Annotated[bool, typer.Option("--stages", help="Show every stage of every option.")] = False,
    everything: Annotated[bool, typer.Option("--all", help="Show every option, range and note.")] = False,
    unit: Annotated[str | None, typer.Option(metavar="UNIT", help="Unit of a mesh file that carries none.")] = None,
    pose: Annotated[
        str | None,
        typer.Option(
            metavar="SIDE",
            help="Side down, by the file's axes: z- (as it lies), z+, x-, x+, y-, y+. Default: what costs least.",
        ),
    ] = None,
    sheet: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the quote sheet as HTML: the customer copy.")
    ] = None,
    internal: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the internal copy: stages, hands, cost, basis."),
    ] = None,
    inward: Annotated[Path | None, typer.Option("--inward", hidden=True)] = None,
    overwrite: Overwrite = False,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep it: listed and scored as a quote. A sheet and calib accept do too.")
    ] = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Say when finished parts will be there: the options side by side, each with a range.

    Example: calib quote bracket.stl --qty 20 --due 2026-12-04
    """
    from calib.workflow.order import QuoteAsk, is_order
    from calib.workflow.pages import Sheets
    from calib.workflow.quote import quote_order, quote_part

    progress = progress_on_stderr()
    several = _check_asked(part, qty, is_order(part), [finish, unit, pose, *(needs or [])])
    words = tuple(needs or ())
    ask = QuoteAsk(tuple(process or ()), due, start, seed, sure, finish, words, unit, pose or "")
    if patch is not None:
        from calib.workflow.what_if import what_if_order

        _check_beside_patch(
            {"due": due, "sure": sure, "needs": needs, "pose": pose, "sheet": sheet, "internal": internal or inward,
             "keep": keep, "stages": stages, "why": why, "all": everything}
        )  # fmt: skip
        return Answer("what_if_order", what_if_order(shop, part, qty, patch, ask, progress))
    sheets = Sheets(sheet, internal or inward, overwrite)
    if several:
        document = quote_order(shop, part, ask, sheets, keep, progress)
    else:
        document = quote_part(shop, part, qty or 1, ask, sheets, keep, progress)
    return Answer("quote", document, detail=stages, why=why, everything=everything)


def _check_beside_patch(asked: dict[str, Any]) -> None:
    given = [f"--{name}" for name, value in asked.items() if value]
    if given:
        raise UsageError(
            f"{', '.join(given)} cannot be answered together with --if.",
            "Leave it out, or put the change into the shop file of a copy of the shop.",
        )


def _check_asked(part: Path, qty: int | None, several: bool, given: list[str | None]) -> bool:
    """Whether it is an order of several parts; a part needs its quantity here, an order says everything itself."""
    if qty is None and not several:
        raise UsageError("--qty is missing: finished parts wanted.", "See: calib quote --help")
    if several and (qty is not None or any(given)):
        raise UsageError(
            f"{part.name} says quantity, finish, needs, pose and unit of each part itself.", "Leave them out here."
        )
    return several
