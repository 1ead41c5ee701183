"""Every command explains itself, with an example; wrong use is one sentence, or one document with --json."""

from __future__ import annotations

import json
import re
from contextlib import redirect_stdout
from io import StringIO

import pytest

from calib.cli.app import run
from calib.cli.commands import IN_ORDER, UNDER_HEADINGS


@pytest.fixture(scope="module", params=IN_ORDER)
def shown(request):
    """A command's name and what its help prints on a terminal of 76 columns."""
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(StringIO()) as out:
        patch.setenv("COLUMNS", "76")
        assert run([request.param, "--help"]) == 0
    return request.param, out.getvalue()


def test_help_has_an_example_that_names_the_command_and_can_be_copied(shown):
    command, text = shown
    examples = [line for line in text.splitlines() if line.startswith("  Example: ")]
    assert examples
    for line in examples:
        assert line.startswith(f"  Example: calib {command}")
        assert line.count('"') % 2 == 0  # the whole call stands on one line
        assert text[text.index(line) + len(line) :].startswith("\n\n")


def test_help_fits_on_a_narrow_terminal(shown):
    assert [line for line in shown[1].splitlines() if len(line) > 76] == []


def test_help_begins_with_one_sentence_of_at_most_two_lines(shown):
    first = shown[1].split("\n\n")[1].splitlines()
    assert len(first) <= 2
    assert re.fullmatch(r"  [A-Z].*[.?]", " ".join([first[0], *(line.strip() for line in first[1:])]))


def test_every_option_says_what_it_is_for_in_our_words(shown):
    lines = shown[1].partition("Options:")[2].splitlines()
    assert any(line.startswith("  --json ") for line in lines)
    bare = [number for number, line in enumerate(lines) if re.fullmatch(r"  --[a-z-]+( [A-Z:]+)?", line)]
    assert [lines[number] for number in bare if not lines[number + 1].startswith("     ")] == []
    assert [line for line in lines if re.search(r"^  --\S+( /|\s+<)", line)] == []


def test_no_arguments_show_the_commands(capsys):
    assert run([]) == 0
    shown = capsys.readouterr().out
    assert all(command in shown for command in IN_ORDER)


def test_no_command_is_left_without_a_heading(capsys):
    run(["--help"])
    shown = capsys.readouterr().out
    assert [line.split()[0] for line in shown.splitlines() if line[:2] == "  " and line.split()[0] in IN_ORDER] == [
        *IN_ORDER
    ]
    assert all(f"{heading}:\n" in shown for heading in UNDER_HEADINGS)


WRONG = {
    "quotient": 'There is no command "quotient". Did you mean calib quote?',
    "nonsense": 'There is no command "nonsense". All of them: calib --help',
    "--shop x fit": "There is no option --shop of calib. Options stand behind a command",
    "fit --as x": "There is no option --as of calib fit. Did you mean --as-of?",
    "fit --json=x": "--json takes no value.",
    "fit june": '"june" is one word too many for calib fit.',
    "quote": "PART is missing: mesh file of the part; or an order of several, a CSV or TOML file.",
    "quote x.stl": "--qty is missing: finished parts wanted.",
    "quote x.stl --qty": "--qty needs a value after it.",
    "quote x.stl --qty 0": '--qty is "0"; expected a whole number, 1 or more.',
    "quote x.stl --qty 2.5": '--qty is "2.5"; expected a whole number, 1 or more.',
    "quote x.stl --qty 1 --seed x": '--seed is "x"; expected a whole number, 0 or more.',
    "quote x.stl --qty 1 --seed -1": '--seed is "-1"; expected a whole number, 0 or more.',
    "quote x.stl --qty 1 --sure 2": '--sure is "2"; expected a number from 0.5 to 0.99.',
    "measure x.stl --layers thin": '--layers is "thin"; expected a number.',
    "import": "PATH is missing",
}


@pytest.mark.parametrize("line", WRONG)
def test_wrong_use_is_one_sentence_with_the_value_and_the_next_step(line, capsys):
    assert run(line.split()) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith(f"calib: {WRONG[line]}")
    assert captured.err.count("\n") == 1
    assert captured.err.rstrip().endswith("--help")


@pytest.mark.parametrize("line", WRONG)
def test_wrong_use_with_json_is_one_document(line, capsys):
    first, *rest = line.split()
    assert run([first, "--json", *rest]) == 2
    error = json.loads(capsys.readouterr().out)["error"]
    assert f"{error['message']} {error['hint']}".startswith(WRONG[line])
    assert "--help" in error["hint"]


def test_version_is_told(capsys):
    assert run(["--version"]) == 0
    assert re.fullmatch(r"calib \d+\.\d+\.\d+\n", capsys.readouterr().out)


@pytest.mark.parametrize("arguments", [["fit"], ["drift"], ["backtest"], ["report"], ["import", "logs"]])
def test_a_folder_that_is_no_shop_says_how_to_make_one(arguments, tmp_path, capsys):
    assert run([*arguments, "--shop", str(tmp_path)]) == 2
    assert "calib init" in capsys.readouterr().err
