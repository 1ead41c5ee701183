"""``calib serve``"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli import fault
from calib.cli.answer import print_document
from calib.cli.options import HERE, AsJson, ShopFolder

if TYPE_CHECKING:
    from calib.serve.run import Opened

FOR = {"ask": "ask for dates", "bench": "log at the bench", "lead": "do all of it, as the lead"}


def serve(
    port: Annotated[
        int | None,
        typer.Option(min=1, max=65535, metavar="N", help="Port to listen on. Default: 8520, or a free one."),
    ] = None,
    lan: Annotated[
        bool, typer.Option("--lan", help="Let others on the network in, each by the secret link of a role.")
    ] = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> None:
    """Serve the page for everybody in the lab: ask, log at the bench, see Monday, watch the floor.

    It listens on this machine alone. With --lan others come in by secret links, printed with QR codes; put HTTPS in front
    of it (DEVELOPERS.md says how). Ctrl-C or SIGTERM ends it; what runs is finished.

    Example: calib serve --shop river-lab
    """
    from calib.serve.run import serve as listen

    listen(shop, port, lan, fault.in_words, lambda opened: _say(opened, json))


def _say(opened: Opened, as_json: bool) -> None:
    if as_json:
        print_document({"address": opened.address, "links": opened.links})
        return
    if not opened.links:
        print(f"Open {opened.address} in a browser on this machine. Ctrl-C ends it.", flush=True)
        return
    from calib.serve.access import terminal_code

    for role, link in opened.links.items():
        print(f"To {FOR[role]}: {link}\n{terminal_code(link)}")
    print("Who has a link comes in: give each to those whom it is for. Ctrl-C ends it.", flush=True)
