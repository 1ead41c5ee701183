"""``calib backup``, ``calib restore``, ``calib rejects``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder


def backup(shop: ShopFolder = HERE, json: AsJson = False) -> Answer:
    """Copy the store into the shop's folder of backups.

    Example: calib backup
    """
    from calib.workflow.keeping import make_backup

    return Answer("backup", make_backup(shop))


def restore(
    copy: Annotated[Path | None, typer.Argument(metavar="[BACKUP]", help="A backup; default: the newest.")] = None,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Put a backup in the store's place; the store that was there is kept beside it.

    Example: calib restore
    """
    from calib.workflow.keeping import put_back

    return Answer("restore", put_back(shop, copy))


def rejects(
    out: Annotated[Path | None, typer.Option(metavar="DIR", help="Also write them as CSV, to mend and import.")] = None,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """List the rows that were set aside: file, line, column, value and reason.

    Example: calib rejects --out to-mend
    """
    from calib.workflow.keeping import find_rejects

    return Answer("rejects", find_rejects(shop, out))
