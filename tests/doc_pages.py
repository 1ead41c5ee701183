"""The examples of a page of docs/, run as a reader would run them."""

from __future__ import annotations

import os
import re
import shlex
from pathlib import Path

from calib.cli.app import run

DOCS = Path(__file__).parents[1] / "docs"
FILE = re.compile(r"```\{code-block\} text\n:caption: (\S+)\n(.*?)```", re.DOTALL)
COMMANDS = re.compile(r"```console\n(.*?)```", re.DOTALL)
PIECE = re.compile(f"{FILE.pattern}|{COMMANDS.pattern}", re.DOTALL)


def lines_of(page: str) -> list[tuple[str, str]]:
    """Of a page in order: files that it shows, with their text, and commands with ''."""
    pieces: list[tuple[str, str]] = []
    for name, text, commands in PIECE.findall((DOCS / page).read_text(encoding="utf-8")):
        pieces += [(name, text)] if name else [(line.removeprefix("$ "), "") for line in commands.splitlines()]
    return pieces


def play(page: str, folder: Path) -> None:
    """All of a page from this folder on; a lab that stands there is not made again."""
    at = folder
    try:
        for line, text in lines_of(page):
            if text:
                (at / line).parent.mkdir(exist_ok=True)
                (at / line).write_text(text, encoding="utf-8")
                continue
            program, *words = shlex.split(line)
            if program == "cd":
                at = at / words[0]
            elif words[0] != "demo":
                assert program == "calib"
                os.chdir(at)
                assert run(words) == 0, line
    finally:
        os.chdir(DOCS.parent)
