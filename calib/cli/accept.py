"""``calib accept``"""

from __future__ import annotations

from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder, progress_on_stderr


def accept(
    quote_id: Annotated[str, typer.Argument(metavar="QUOTE_ID", help="The quote, as calib quotes lists it.")],
    choice: Annotated[
        str | None, typer.Option("--by", metavar="WHO", help="Process or machine of the quote. Default: its soonest.")
    ] = None,
    promise: Annotated[
        str | None, typer.Option(metavar="TIME", help="Date or time promised. Default: the one that the quote gave.")
    ] = None,
    order: Annotated[
        str | None, typer.Option(metavar="ORDER_ID", help="Order that it becomes: its logs will count for this quote.")
    ] = None,
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="Kept with it.")] = None,
    first: Annotated[
        bool,
        typer.Option("--first", help="Before planned builds that have not begun; tells whose date slips."),
    ] = False,
    start: Annotated[
        str | None,
        typer.Option(
            metavar="TIME", help="When its work may begin. Default: the quote's start. Later: the date moves too."
        ),
    ] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take it back, out of the queue again.")] = False,
    ready: Annotated[
        str | None, typer.Option(metavar="TIME", help="Say when its parts were ready, where no packing is logged.")
    ] = None,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Accept a quote: its builds stand in the queue, its date is a promise; shows whose date slips by it.

    Example: calib accept Q00007 --promise 2026-12-04 --order R0412
    """
    from calib.workflow import accept as story

    if undo:
        return Answer("accepted_quote", story.undo(shop, quote_id))
    if ready:
        return Answer("accepted_quote", story.mark_ready(shop, quote_id, ready))
    document = story.accept(
        shop, quote_id, choice=choice, promise=promise, order=order, note=note, hurried=first, start=start,
        progress=progress_on_stderr(),
    )  # fmt: skip
    return Answer("accepted_quote", document)
