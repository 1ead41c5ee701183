"""``calib fit``"""

from __future__ import annotations

from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder, progress_on_stderr


def fit(
    as_of: Annotated[
        str | None, typer.Option(metavar="DATE", help="Use only what had ended by this day; default: all of it.")
    ] = None,
    prior: Annotated[
        str | None,
        typer.Option(
            metavar="FILE", help="What other sites know, from calib sites fit; kept for later fits. none: no more."
        ),
    ] = None,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Learn from what is logged: how this lab differs from the physics, and by how much it varies.

    Example: calib fit
    """
    from calib.workflow.fit import fit_shop

    return Answer("fit", fit_shop(shop, as_of=as_of, progress=progress_on_stderr(), prior=prior))
