"""Write the pages of commands and of columns from the program itself, so that they cannot rot."""

from __future__ import annotations

import io
import os
from contextlib import redirect_stdout
from pathlib import Path

from calib.cli import commands
from calib.cli.app import run
from calib.logs.columns import KINDS, Column
from calib.logs.how_to_fill import MEANING
from calib.store.dictionary import dictionary_text

OF = {
    "builds": "One row for each build of a machine, finished or planned.",
    "stages": "One row for each run of a stage.",
    "items": "What one build holds of which order; optional.",
    "events": "What may explain a change; optional.",
}
KEYED_TWICE = "`stages` needs `build_id` or `order_id`, and `started_at` or `date` with `work_min`."


def write(folder: Path) -> None:
    """All pages into a folder."""
    folder.mkdir(exist_ok=True)
    pages = {"commands.md": commands_page(), "columns.md": columns_page(), "dictionary.md": dictionary_text()}
    for name, text in pages.items():
        (folder / name).write_text(text, encoding="utf-8")


def commands_page() -> str:
    """Every command's own help, under the headings of ``calib --help``."""
    parts = ["# Commands\n", "Made from the program: what `calib COMMAND --help` says.\n"]
    for heading, under in commands.UNDER_HEADINGS.items():
        parts.append(f"## {heading}\n")
        for name in under:
            parts += [f"### `calib {name}`\n", f"```text\n{help_text(name)}\n```\n"]
    return "\n".join(parts)


def help_text(name: str, width: int = 76) -> str:
    """What ``calib NAME --help`` prints on a terminal so wide."""
    before, os.environ["COLUMNS"] = os.environ.get("COLUMNS"), str(width)
    try:
        with redirect_stdout(io.StringIO()) as said:
            run([name, "--help"])
    finally:
        os.environ.pop("COLUMNS")
        if before is not None:
            os.environ["COLUMNS"] = before
    return "\n".join(line.rstrip() for line in said.getvalue().strip().split("\n"))


def columns_page() -> str:
    """Every column that an import reads: what it takes and what it means."""
    parts = [
        "# Columns of logs\n",
        f"Made from the program. Columns may stand in any order, others are kept as they are. {KEYED_TWICE} "
        "[What others may rely on](../interface.md) says how rows are told apart and joined; the "
        "[data dictionary](dictionary.md) has every table and column of the store.\n",
    ]
    for kind, columns in KINDS.items():
        parts += [f"## {kind}\n", f"{OF[kind]}\n", "| column | takes | meaning |", "| --- | --- | --- |"]
        parts += [f"| `{column.name}` | {takes(column)} | {MEANING[column.name]} |" for column in columns]
        parts.append("")
    return "\n".join(parts)


def takes(column: Column) -> str:
    """What a cell of this column may hold."""
    return ", ".join([text for text in (*limits(column), "needed" if column.needed else "") if text])


def limits(column: Column) -> tuple[str, ...]:
    kinds = {
        "stamp": "day and time",
        "flag": "true or false",
        "date": "a day",
        "process": "a process",
        "stage": "a stage",
    }
    if column.kind == "word":
        return (", ".join(f"`{word}`" for word in column.words),)
    if column.kind != "number":
        return (kinds.get(column.kind, "text"),)
    number = "whole number" if column.whole else "number"
    above = f"above {column.above:g}" if column.above is not None else f"from {column.low:g}"
    return (f"{number} {above}" + (f" to {column.high:,.0f}" if column.high is not None else ""),)
