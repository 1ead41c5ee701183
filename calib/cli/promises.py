"""``calib promises``"""

from __future__ import annotations

from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder, progress_on_stderr


def promises(
    start: Annotated[str | None, typer.Option(metavar="TIME", help="Forecast as of then; default: now.")] = None,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Forecast every open promise again from today's state: which are kept less than 8 of 10 times, and why.

    Example: calib promises
    """
    from calib.workflow.promises import find_promises

    return Answer("promises", find_promises(shop, start=start, progress=progress_on_stderr()))
