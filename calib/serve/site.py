"""What all pages share: the shop's folder, who may come in, the line of long work, what was uploaded."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from calib.documents.logs import MapDocument
from calib.errors import CalibError
from calib.serve.access import Access
from calib.serve.board import Board
from calib.serve.line import WaitingLine
from calib.serve.reckoner import Runs, here
from calib.serve.uploads import Uploads
from calib.shop.read_shop import read_shop
from calib.workflow.order import OrderedPart

MOST_QUOTES, MOST_PROPOSALS = 1000, 50  # kept for what is asked about them next; our choice
FaultInWords = Callable[[BaseException, str], tuple[str, str]]


@dataclass(frozen=True, eq=False)
class Proposal:
    """log : a file that waits for an answer; toml : the proposed mapping; document : of ``propose_map``"""

    log: Path
    toml: str
    document: MapDocument


@dataclass(frozen=True, eq=False)
class Notice:
    """What was done, said once; undo : number of the question whose answer can be taken back; files : read, with what came of
    them; proposals : words in the addresses of mappings to confirm"""

    text: str
    undo: str | None = None
    files: Sequence[Mapping[str, Any]] = ()
    warnings: Sequence[str] = ()
    proposals: Sequence[str] = ()


def keep_last(kept: dict[Any, Any], most: int) -> None:
    """Let go of the oldest of what is kept."""
    for oldest in list(kept)[:-most]:
        kept.pop(oldest, None)


@dataclass(eq=False)
class Site:
    """fault : message and hint of what no part of calib expected; run : does long work

    lines : of quotes given lately, by id: the word of each part's upload, and how many of it without its mesh
    place : host and port by which others reach the page; '' where nobody else can come
    """

    folder: Path
    access: Access
    fault: FaultInWords
    place: str = ""
    run: Runs = here
    line: WaitingLine = field(default_factory=WaitingLine)
    uploads: Uploads = field(default_factory=Uploads)
    board: Board = field(init=False)
    lines: dict[str, list[tuple[str, OrderedPart]]] = field(default_factory=dict)
    week: tuple[Any, dict[str, Any]] | None = None
    notices: dict[str, Notice] = field(default_factory=dict)
    proposals: dict[str, Proposal] = field(default_factory=dict)
    what_ifs: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.board = Board(self.folder, self.line, self.run)

    def shop_name(self) -> str:
        try:
            return read_shop(self.folder).name
        except CalibError:
            return ""

    def now(self) -> datetime:
        return datetime.now(ZoneInfo(read_shop(self.folder).timezone)).replace(microsecond=0)

    def without_paths(self, text: str) -> str:
        """A page's text without the places where this machine keeps things: names of files stay."""
        places = {str(self.folder.resolve()), str(self.folder.absolute()), str(self.folder), str(self.uploads.folder)}
        for place in sorted(places - {".", "/"}, key=len, reverse=True):
            for spelled in {place, html.escape(place)}:
                text = text.replace(f"{spelled}/", "").replace(spelled, "the shop")
        return text

    def close(self) -> None:
        self.line.close()
        self.uploads.close()
