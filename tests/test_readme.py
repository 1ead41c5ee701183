"""README says what is true: its commands exist, and its files are there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from calib.cli.commands import IN_ORDER

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("command", sorted(set(re.findall(r"(?:^ +|`)calib ([a-z-]+)", TEXT, re.MULTILINE))))
def test_commands_that_readme_names_exist(command):
    assert command in IN_ORDER


@pytest.mark.parametrize(
    "name", ["DEVELOPERS.md", "CHANGELOG.md", "docs/equations.md", "logs_schema/README.md", "start.py"]
)
def test_files_that_readme_names_are_there(name):
    assert name in TEXT
    assert (ROOT / name).exists()
