"""Options that several commands share."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

ShopFolder = Annotated[
    Path, typer.Option("--shop", help="Folder of the shop.", envvar="CALIB_SHOP", metavar="DIR", show_default="here")
]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on standard output, nothing else there.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit status 1 if rows were set aside or a stage drifts.")]

HERE = Path(".")


def progress_on_stderr() -> Callable[[str], None]:
    """Says each step on standard error, over the last one where a person watches."""
    if not sys.stderr.isatty():
        return lambda text: print(text, file=sys.stderr, flush=True)

    def over_the_last(text: str) -> None:
        print(f"\r\x1b[2K{text}", end="" if text else "\r", file=sys.stderr, flush=True)

    return over_the_last
