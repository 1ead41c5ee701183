"""docs/interface.md names what there is: commands with their options, columns, stages and words."""

from __future__ import annotations

import re

import pytest
import typer
from interface_page import PAGE, names_below, table_below, words_after

import calib
from calib.cli import commands
from calib.logs.columns import ENDED_BY, KINDS
from calib.records import BASES, DIFFICULTIES, FINISHES, OUTCOMES, PROCESSES, STAGES

COMMANDS = {
    row[0].strip("`").split()[1]: re.findall(r"--[a-z-]+", row[1]) for row in table_below("else the current folder.\n")
}


def test_every_command_is_on_the_page():
    assert sorted(COMMANDS) == sorted(commands.IN_ORDER)


@pytest.mark.parametrize("name", COMMANDS)
def test_its_options_exist(name):
    made = typer.Typer(add_completion=False)
    commands.register(made, [name])
    known = {option for parameter in typer.main.get_command(made).params for option in parameter.opts}
    assert set(COMMANDS[name]) | {"--json"} <= known


@pytest.mark.parametrize("kind", KINDS)
def test_columns_are_those_that_an_import_reads(kind):
    assert names_below(f"\n`{kind}`") == [column.name for column in KINDS[kind]]


def test_stages_are_those_of_the_program():
    assert sorted(names_below("what of it needs nobody.\n")) == sorted(STAGES)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("**Processes** follow", tuple(PROCESSES)),
        ("Finish:", FINISHES),
        ("Difficulty:", DIFFICULTIES),
        ("Outcome of a run:", OUTCOMES),
        ("Ended by:", ENDED_BY),
        ("the best that a row allows:", BASES),
    ],
)
def test_words_are_those_of_the_program(text, words):
    assert words_after(text) == words


def test_the_one_class_is_there():
    assert set(calib.__all__) == {"Calibrator"}


def test_the_class_has_what_the_page_says():
    named = re.findall(r"`(\w+)(?:\([^`]*\))?`", PAGE[PAGE.index("\n## Python") :])
    methods = [name for name in named if name in ("fit", "predict", "predict_quantiles", "get_params", "set_params")]
    assert len(set(methods)) == 5
    assert all(hasattr(calib.Calibrator, name) for name in methods)
