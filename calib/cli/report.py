"""``calib report``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, Overwrite, ShopFolder, progress_on_stderr


def report(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the page.")] = HERE,
    persons: Annotated[
        bool, typer.Option("--persons", help="Also say whom to ask about a change; not a ranking.")
    ] = False,
    overwrite: Overwrite = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Write the week in one HTML page: what moved, whether promises held, where the time goes.

    Example: calib report --out pages
    """
    from calib.workflow.report import write_report

    document = write_report(shop, out=out, persons=persons, progress=progress_on_stderr(), overwrite=overwrite)
    return Answer("report", document)
