"""Listening: on this machine alone, or with a secret link for each role; and ending cleanly."""

from __future__ import annotations

import logging
import signal
import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from calib.errors import StoreError, UsageError
from calib.serve.access import ROLES, read_access
from calib.serve.app import make_app
from calib.serve.reckoner import Reckoner
from calib.serve.site import FaultInWords, Site
from calib.workflow.init import make_ready

USUAL_PORT = 8520
HERE, EVERYWHERE = "127.0.0.1", "0.0.0.0"
SWITCH_S = 0.001  # a tap does not wait long for the interpreter while an answer is reckoned
GRACE_S = 20  # a request that runs is finished at SIGTERM


@dataclass(frozen=True)
class Opened:
    """address : of the first page; links : role -> address that comes in as that role, where others can come"""

    address: str
    links: dict[str, str]


def serve(folder: Path, port: int | None, lan: bool, fault: FaultInWords, opened: Callable[[Opened], None]) -> None:
    """Listen until the program is told to end (SIGTERM, Ctrl-C); what runs is finished and stored.

    port : None takes the usual one, or a free one where that is taken
    opened : called once, when it listens
    Raises UsageError where the port is taken, and as the shop file and the store do.
    """
    import uvicorn

    from calib.serve.headers import BoundedHeaders

    make_ready(folder)
    access = read_access(folder, is_open=not lan)
    listening = _listen(EVERYWHERE if lan else HERE, port)
    own = _own_address() if lan else HERE
    place = f"{own}:{listening.getsockname()[1]}"
    address = f"http://{place}/"
    hosts = {HERE, "localhost", "::1", own, *(_own_names() if lan else ())}
    reckoner = Reckoner()
    app = make_app(Site(folder, access, fault, place if lan else "", reckoner), hosts)
    links = {role: f"{address}in/{access.links[role]}" for role in ROLES} if lan else {}
    server = uvicorn.Server(
        uvicorn.Config(
            app, http=BoundedHeaders, log_level="critical", access_log=False, server_header=False, date_header=True,
            timeout_graceful_shutdown=GRACE_S, timeout_keep_alive=15, limit_concurrency=1000, ws="none",
        )
    )  # fmt: skip

    def end(*_: object) -> None:
        server.should_exit = True

    sys.setswitchinterval(SWITCH_S)
    logging.getLogger("python_multipart").setLevel(logging.CRITICAL)  # it has a line for every byte that is no form
    signal.signal(signal.SIGTERM, end)  # before the library listens to it, and when that raises it again at the end
    try:
        opened(Opened(address, links))
        server.run(sockets=[listening])
    except KeyboardInterrupt:
        return
    finally:
        reckoner.close()


def _listen(host: str, port: int | None) -> socket.socket:
    for wanted in (USUAL_PORT, 0) if port is None else (port,):
        made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            made.bind((host, wanted))
            made.listen(1024)  # who comes before the program is ready waits a moment
        except OSError as error:
            made.close()
            if port is not None:
                raise UsageError(
                    f"Port {port} cannot be used: {error.strerror}.", f"Port {_free(host)} is free."
                ) from error
            continue
        return made
    raise StoreError("No port is free on this machine.", "End another program that serves pages.")


def _free(host: str) -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as made:
        made.bind((host, 0))
        return int(made.getsockname()[1])


def _own_names() -> set[str]:
    """By which a reverse proxy on this machine, or others on the network, may ask for it."""
    return {socket.gethostname().lower(), socket.getfqdn().lower()}


def _own_address() -> str:
    """The address by which others on the network reach this machine; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))  # RFC 5737: an address for documentation
            return str(asked.getsockname()[0])
        except OSError:
            return HERE
