"""``calib import``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, Mappings, ShopFolder, Strict, progress_on_stderr


def import_(
    paths: Annotated[
        list[Path], typer.Argument(metavar="PATH...", help="Log files, or folders of them.", readable=False)
    ],
    mappings: Mappings = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would happen, store nothing.")] = False,
    strict: Strict = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Read machine and bench logs into the store.

    Rows that are stored already are recognised by their content and change nothing, so the whole folder can be
    given every week. A bad row is set aside with its file, line, column and reason, and never stops the good ones.
    Logs with other people's columns are read by the mapping, among those of --map or in the shop's folder maps,
    whose columns they have.

    Example: calib import logs/
    """
    from calib.workflow.import_logs import import_logs

    document = import_logs(shop, paths, mappings=mappings or (), dry_run=dry_run, progress=progress_on_stderr())
    set_aside = sum(file.get("rows_quarantined", 0) for file in document["files"])
    return Answer("import", document, status=1 if strict and set_aside else 0)
