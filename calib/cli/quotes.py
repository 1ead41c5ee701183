"""``calib quotes``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, Overwrite, ShopFolder
from calib.errors import UsageError


def quotes(
    which: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[show] [QUOTE_ID]", help="Show this quote as it was given; the word show may be left out."
        ),
    ] = None,
    stages: Annotated[bool, typer.Option("--stages", help="With QUOTE_ID: every stage of every option.")] = False,
    everything: Annotated[bool, typer.Option("--all", help="With QUOTE_ID: every option, range and note.")] = False,
    sheet: Annotated[Path | None, typer.Option(metavar="FILE", help="With QUOTE_ID: write its customer copy.")] = None,
    internal: Annotated[
        Path | None, typer.Option(metavar="FILE", help="With QUOTE_ID: write the internal copy.")
    ] = None,
    inward: Annotated[Path | None, typer.Option("--inward", hidden=True)] = None,
    overwrite: Overwrite = False,
    keep: Annotated[bool, typer.Option("--keep", help="With QUOTE_ID: keep it, to be listed and scored.")] = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """List the quotes given, what became of them, and how many promises held; or show one again.

    Given is what was kept (--keep), written to a sheet, accepted or built. An answer that nobody took is not listed, and
    goes after its last day.

    Example: calib quotes Q00007
    """
    from calib.workflow.pages import Sheets
    from calib.workflow.quotes import list_quotes, show_again

    inward = internal or inward
    named = [word for word in which or [] if word.lower() != "show"]
    if len(named) > 1:
        raise UsageError(f"{len(named)} quotes are named: {', '.join(named)}.", "Show one at a time.")
    if named:
        document = show_again(shop, named[0], Sheets(sheet, inward, overwrite), keep)
        return Answer("quote", document, detail=stages, everything=everything)
    if which or sheet or inward or stages or everything or keep:
        raise UsageError("No quote is named.", "For example: calib quotes Q00007 --sheet quote.html")
    return Answer("quotes", list_quotes(shop))
