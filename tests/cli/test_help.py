"""Every command explains itself, with an example; wrong use is one sentence, or one document with --json."""

from __future__ import annotations

import json

import pytest

from calib.cli.app import run
from calib.cli.commands import IN_ORDER


@pytest.mark.parametrize("command", IN_ORDER)
def test_help_has_an_example_that_names_the_command(command, capsys):
    assert run([command, "--help"]) == 0
    assert f"Example: calib {command}" in capsys.readouterr().out


def test_no_arguments_show_the_commands(capsys):
    assert run([]) == 0
    shown = capsys.readouterr().out
    assert all(command in shown for command in IN_ORDER)


@pytest.mark.parametrize("arguments", [["quote", "part.stl", "--qty", "many"], ["quotient"], ["fit", "--as"]])
def test_wrong_use_is_status_2_and_one_document(arguments, capsys):
    assert run([*arguments, "--json"]) == 2
    captured = capsys.readouterr()
    error = json.loads(captured.out)["error"]
    assert error["message"]
    assert "--help" in error["hint"]


def test_wrong_use_without_json_is_one_line_on_standard_error(capsys):
    assert run(["quote"]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith("calib: Missing argument 'PART'")
    assert captured.err.count("\n") == 1


@pytest.mark.parametrize("arguments", [["fit"], ["drift"], ["backtest"], ["report"], ["import", "logs"]])
def test_a_folder_that_is_no_shop_says_how_to_make_one(arguments, tmp_path, capsys):
    assert run([*arguments, "--shop", str(tmp_path)]) == 2
    assert "calib init" in capsys.readouterr().err
