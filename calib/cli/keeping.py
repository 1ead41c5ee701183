"""``calib undo``, ``calib check``, ``calib backup``, ``calib restore``, ``calib export``, ``calib forget``"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, Overwrite, ShopFolder
from calib.cli.printable import printable
from calib.errors import UsageError


def undo(
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would go, change nothing.")] = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Take back the last import.

    Rows that it brought go, rows that it corrected are as they were, what it set aside is off the list. Said again, it
    takes back the import before that one. Importing the files again brings it all back.

    Example: calib undo --dry-run
    """
    from calib.workflow.keeping import take_back

    return Answer("undo", take_back(shop, dry_run))


def check(
    mend: Annotated[bool, typer.Option("--mend", help="Mend what can be mended without losing anything.")] = False,
    strict: Annotated[bool, typer.Option("--strict", help="Exit status 1 if anything is to mend.")] = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Check that the store is sound, and say how to mend it.

    Example: calib check
    """
    from calib.workflow.keeping import check_shop

    document = check_shop(shop, mend)
    return Answer("check", document, status=1 if strict and document["problems"] else 0)


def backup(shop: ShopFolder = HERE, json: AsJson = False) -> Answer:
    """Copy the store into the shop's folder of backups.

    Example: calib backup
    """
    from calib.workflow.keeping import make_backup

    return Answer("backup", make_backup(shop))


def restore(
    copy: Annotated[Path | None, typer.Argument(metavar="BACKUP", help="A backup; default: the newest.")] = None,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Put a backup in the store's place; the other is kept.

    Example: calib restore
    """
    from calib.workflow.keeping import put_back

    return Answer("restore", put_back(shop, copy))


def export(
    out: Annotated[Path | None, typer.Argument(metavar="DIR", help="Folder for the files.")] = None,
    only: Annotated[str | None, typer.Option(metavar="FORMAT", help="csv or parquet; default: both.")] = None,
    company: Annotated[
        str | None,
        typer.Option(
            metavar="DIR",
            help="Send to a company's store instead, a folder or a bucket's address: Parquet by site and month, only what has changed.",
        ),
    ] = None,
    site: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="With --company: what this lab is called there; default: an alias."),
    ] = None,
    overwrite: Overwrite = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Write all logs out as CSV and Parquet.

    The columns are those that import reads, so that importing an export changes nothing. Names of people are as they are
    stored: aliases, unless the shop file says otherwise.

    --company DIR sends what has changed since the last time to the store that calib sites works on; DuckDB reads it as it is. Notes and kept columns
    stay here.

    Example: calib export everything
    """
    if (out is None) == (company is None):
        raise UsageError("calib export wants one place to write to.", "Name a folder, or say --company DIR.")
    if company is not None:
        from calib.workflow.bucket import send_site_to

        return Answer("export_company", send_site_to(company, shop, site))
    from calib.workflow.keeping import write_out

    assert out is not None
    return Answer("export", write_out(shop, out, only, overwrite))


def forget(
    name: Annotated[str, typer.Argument(metavar="NAME", help="As in the logs, in quotes; or the alias.")],
    backups: Annotated[
        bool, typer.Option("--backups", help="Also in the backups and stores that were replaced.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would change, change nothing.")] = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Forget a person: every trace leaves the store.

    Only what rows hold as a person is taken, never an id, a machine or a material. What would change is shown first, and
    asked; where nobody can be asked, --yes is needed. Runs stay, without the person; history, rows set aside, notes, events,
    kept columns and stored fits too. The store's file is built anew, so that no byte stays behind. Backups, exports and log
    files that still hold the name are listed.

    Example: calib forget "Ada Quill" --backups --yes
    """
    from calib.workflow.keeping import forget as forget_in

    if not (yes or dry_run):
        _ask(Answer("forget", forget_in(shop, name, backups, dry_run=True)), is_asked=not json and sys.stdin.isatty())
    return Answer("forget", forget_in(shop, name, backups, dry_run))


def _ask(preview: Answer, is_asked: bool) -> None:
    """Raises UsageError where nobody can be asked, Abort where the answer is no: nothing is changed then."""
    if not is_asked:
        places = preview.document["cells"]
        raise UsageError(
            f"Nothing was changed: {preview.document['alias']} stands in {places} cells of the store, and nobody can be asked here.",
            "Say --yes to forget, or --dry-run to see where.",
        )
    print(printable(preview.as_text()), file=sys.stderr)
    typer.confirm("Forget this person? It cannot be undone", abort=True, err=True)
