"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.printable import printable

ShopFolder = Annotated[
    Path, typer.Option("--shop", help="Folder of the shop.", envvar="CALIB_SHOP", metavar="DIR", show_default="here")
]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on standard output, nothing else there.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit status 1 if rows were set aside or a stage drifts.")]
Mappings = Annotated[
    list[Path] | None,
    typer.Option(
        "--map",
        metavar="FILE",
        help="Mapping (TOML) of other people's columns and words; may be repeated: each log is read by the one whose "
        "columns it has. Default: those in the shop's folder maps.",
    ),
]

Overwrite = Annotated[
    bool, typer.Option("--overwrite", help="Replace what stands there, even if calib did not write it.")
]

HERE = Path(".")


def show_now(answer: Answer) -> None:
    """Print the text of an answer while more of the same command is under way."""
    from calib.cli.progress import end_progress

    end_progress()
    print(printable(answer.as_text()), flush=True)


def progress_on_stderr() -> Callable[[str], None]:
    """Says each step of long work on standard error, where a person watches."""
    from calib.cli.progress import start_progress

    return start_progress()
