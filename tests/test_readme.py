"""README and the pages of docs/ say what is true: their commands and options exist, and their files are there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer

from calib.cli import commands

ROOT = Path(__file__).parents[1]
PAGES = {path.name: path.read_text(encoding="utf-8") for path in (ROOT / "README.md", *(ROOT / "docs").glob("*.md"))}
CALL = re.compile(r"(?:^ +|^\$ |`)calib ([a-z-]+)([^`#\n]*)", re.MULTILINE)


def options_of(name):
    made = typer.Typer(add_completion=False)
    commands.register(made, [name])
    return {option for parameter in typer.main.get_command(made).params for option in parameter.opts} | {"--help"}


@pytest.mark.parametrize("page", PAGES)
def test_commands_and_options_that_a_page_names_exist(page):
    for name, rest in CALL.findall(PAGES[page]):
        known = commands.OLD_NAMES.get(name, name)
        assert known in commands.IN_ORDER
        assert set(re.findall(r"--[a-z-]+", rest)) <= options_of(known), f"calib {name}{rest}"


@pytest.mark.parametrize(
    "name",
    sorted(set(re.findall(r"`((?:docs/|logs_schema/)?[\w/]+\.(?:md|py))`", PAGES["README.md"])) | {"docs/page.png"}),
)
def test_files_that_readme_names_are_there(name):
    assert (ROOT / name).exists()
