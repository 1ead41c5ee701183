"""``calib init``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder


def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="New or empty folder for the shop.")],
    timezone: Annotated[
        str, typer.Option(metavar="ZONE", help="IANA name of the shop's time zone, e.g. Europe/London.")
    ] = "",
    json: AsJson = False,
) -> Answer:
    """Make a new shop: a commented shop.toml, log templates to fill, and an empty store.

    Example: calib init my-lab --timezone Europe/London
    """
    from calib.workflow.init import init_shop

    return Answer("init", init_shop(folder, timezone))


def templates(shop: ShopFolder = HERE, json: AsJson = False) -> Answer:
    """Write the log templates anew, with the machines, stations and stages that the shop file has today.

    The workbook's drop-downs offer what the shop file had when it was written. A log template that somebody has
    filled is left alone: move it to the logs first.

    Example: calib templates
    """
    from calib.workflow.init import renew_templates

    return Answer("templates", renew_templates(shop))
