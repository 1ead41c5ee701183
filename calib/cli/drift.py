"""``calib drift``"""

from __future__ import annotations

from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder, Strict


def drift(
    since: Annotated[
        str | None, typer.Option(metavar="DATE", help="Alarms since this day; default: the last 26 weeks.")
    ] = None,
    accept: Annotated[
        str | None,
        typer.Option(metavar="PROCESS:STAGE", help="Accept this stage's change: it becomes the plan, with --note."),
    ] = None,
    undo: Annotated[
        str | None, typer.Option(metavar="PROCESS:STAGE", help="Take back this stage's last acceptance.")
    ] = None,
    accepted: Annotated[bool, typer.Option("--accepted", help="List the accepted changes, with their notes.")] = False,
    note: Annotated[str, typer.Option(metavar="TEXT", help="Why a change is accepted; kept in the history.")] = "",
    persons: Annotated[
        bool, typer.Option("--persons", help="Also split by person: whom to ask, not a ranking.")
    ] = False,
    strict: Strict = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Show which stage drifts from plan, since when, by how much, and where it comes from.

    A stage drifts when its last runs lie further from all before them than chance allows for the whole lab: the shop
    file's false_alarms_per_year. Stages with few runs a week are also charted together, as PROCESS:bench_work, and so is all
    that is done at one station or in one material, as station:NAME and material:NAME. An alarm stays until you accept it,
    its logs are corrected, or it went back. What you
    accept is the plan from then on; a new change is reported again.

    Example: calib drift --since 2026-09-01

    Example: calib drift --accept VPP:post_curing --note "new lamp"
    """
    from calib.workflow.drift import accept_drift, charts_of, find_drift, list_accepted, undo_accepted

    check_asked(accept, undo, accepted, note)
    if accepted:
        return Answer("accepted", list_accepted(shop))
    if undo:
        return Answer("undone", undo_accepted(shop, undo))
    if accept:
        return Answer("accept", accept_drift(shop, accept, note))
    document = find_drift(shop, since=since, persons=persons)
    moved = any(stage["state"] == "drifting" for stage in charts_of(document))
    return Answer("drift", document, status=1 if strict and moved else 0)


def check_asked(accept: str | None, undo: str | None, accepted: bool, note: str) -> None:
    """One of accepting, taking back and listing at a time; a note only with the first."""
    from calib.errors import UsageError

    if sum((accept is not None, undo is not None, accepted)) > 1:
        raise UsageError("--accept, --undo and --accepted cannot go together.", "Give one of them.")
    if note and accept is None:
        raise UsageError(
            "--note says why a change is accepted, and no --accept is given.", "Add --accept PROCESS:STAGE."
        )
