"""``calib week``"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, Mappings, Overwrite, ShopFolder, Strict, progress_on_stderr


def week(
    paths: Annotated[
        list[Path], typer.Argument(metavar="LOGS...", help="Log files, or folders of them.", readable=False)
    ],
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for the page; default: pages, in the shop.")
    ] = None,
    mappings: Mappings = None,
    strict: Strict = False,
    overwrite: Overwrite = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Do Monday's whole job: import the logs, learn, look for drift, write the page.

    Made for a scheduler: it says nothing when nothing asks for a person (no stage moved or became erratic beyond what was
    accepted, no row is newly set aside, every file could be read), but for one line where rows came that wait for their
    build; and it never runs twice at once in one shop. Logs with other people's columns are read as by calib import.

    Example: calib week logs/
    """
    from calib.workflow.week import run_week

    progress = progress_on_stderr() if sys.stderr.isatty() else lambda text: None
    document = run_week(
        shop, paths, out or shop / "pages", mappings=mappings or (), progress=progress, overwrite=overwrite
    )
    set_aside = any(file.get("rows_quarantined") for file in document["import"]["files"])
    wrong = set_aside or (document["report"] and document["report"]["drifting"])
    return Answer("week", document, status=1 if strict and wrong else 0)
