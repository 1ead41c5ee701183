"""``calib set-aside``; ``calib rejects`` is the same."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, Overwrite, ShopFolder


def set_aside(
    out: Annotated[Path | None, typer.Option(metavar="DIR", help="Also write them as CSV, to mend and import.")] = None,
    drop: Annotated[
        str | None, typer.Option(metavar="LIST", help="Nothing to keep: numbers as listed, such as 3,5, or all.")
    ] = None,
    undo: Annotated[str | None, typer.Option(metavar="LIST", help="Take back a drop.")] = None,
    reopen: Annotated[str | None, typer.Option(hidden=True)] = None,
    dropped: Annotated[bool, typer.Option("--dropped", help="List the dropped ones instead.")] = False,
    overwrite: Overwrite = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """List the rows that were set aside, to mend or drop.

    Each with file, line, column, value and reason. Mend the values in the files that --out writes and import these:
    what is right then comes in, what is still wrong is listed again.

    Example: calib set-aside --out to-mend
    """
    from calib.workflow.review import find_set_aside_rows

    document = find_set_aside_rows(shop, out, drop=drop, reopen=undo or reopen, dropped=dropped, overwrite=overwrite)
    return Answer("set_aside", document)
