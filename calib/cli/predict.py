"""``calib predict``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, Overwrite, ShopFolder, progress_on_stderr


def predict(
    plan: Annotated[Path, typer.Argument(metavar="PLAN", help="A 'builds' file of planned builds; it is not stored.")],
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the table here as CSV.")] = None,
    overwrite: Overwrite = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Give a range for each build of a plan and each of its stages, and for the whole.

    Example: calib predict next_week.csv --out ranges.csv
    """
    from calib.workflow.predict import predict_plan

    return Answer("predict", predict_plan(shop, plan, out=out, progress=progress_on_stderr(), overwrite=overwrite))
