"""``calib map``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder


def map_(
    log: Annotated[Path, typer.Argument(metavar="FILE", help="A log with other people's columns and words.")],
    out: Annotated[
        Path | None, typer.Option(metavar="MAPPING", help="Write it here. Default: FILE's name with .map.toml, here.")
    ] = None,
    kind: Annotated[
        str | None,
        typer.Option(
            metavar="KIND", help="What it is a log of: builds, stages, items or events. Default: seen from its columns."
        ),
    ] = None,
    sheet: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Which sheet of a workbook. Default: the one that looks most like a log."),
    ] = None,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Propose how a foreign log's columns become ours.

    Looks at the file, writes the proposal as a commented TOML file with a reason beside each line, and says what would
    come in under it and what a person has to decide first. Nothing is stored: look at the file, mend it, then import.
    Kept in the shop's folder maps, it is used by every import and weekly run without an option.

    Example: calib map night_shift.csv --out night_shift.map.toml
    """
    from calib.workflow.map_log import propose_map

    return Answer("map", propose_map(shop, log, out, kind, sheet))
