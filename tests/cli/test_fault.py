"""What no part of calib expected is a short report without anything of the user's; a reader who leaves is nothing at all."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys

import pytest

from calib.cli.app import guarded
from calib.workflow import keeping

SECRET = "Ada Quill of 12 Weir Lane"


@pytest.fixture
def broken(lab, monkeypatch):
    """A lab in which ``check`` trips over a person's name, and over that trips again."""

    def fails(*_):
        try:
            {}[SECRET]
        except KeyError as error:
            raise RuntimeError(f"{SECRET} in {lab}") from error

    monkeypatch.delenv("CALIB_DEBUG", raising=False)
    monkeypatch.setattr(keeping, "check_shop", fails)
    return lab


@pytest.mark.parametrize("as_json", [False, True], ids=["text", "json"])
def test_a_fault_of_calib_is_told_without_anything_of_the_user(broken, capsys, as_json):
    assert guarded(["check", *(["--json"] if as_json else [])]) == 2
    out, err = capsys.readouterr()
    answer = json.loads(out)["error"]["message"] if as_json else err
    assert "This is a fault of calib, not of your files." in answer
    assert re.search(
        r"calib \d\S*, Python 3\.\d+\.\d+ on \w+; command check; RuntimeError after KeyError; at .*cli/app.py:\d+",
        answer,
    )
    for theirs in (SECRET, "Ada", str(broken), "Traceback"):
        assert theirs not in out + err
    assert not (err if as_json else out)


def test_a_developer_sees_the_traceback(broken, monkeypatch):
    monkeypatch.setenv("CALIB_DEBUG", "1")
    with pytest.raises(RuntimeError, match=SECRET):
        guarded(["check"])


def test_too_little_memory_is_no_fault(broken, monkeypatch, capsys):
    def fails(*_):
        raise MemoryError

    monkeypatch.setattr(keeping, "check_shop", fails)
    assert guarded(["check"]) == 2
    assert capsys.readouterr().err == (
        "calib: There is not enough memory for this. Close other programs, or ask for less at once.\n"
    )


@pytest.mark.skipif(os.name == "nt", reason="no pipes of this sort there")
@pytest.mark.parametrize("line", ["--help", "check", "check --json"])
def test_a_reader_that_leaves_early_is_quiet(lab, line):
    reads, writes = os.pipe()
    os.close(reads)  # as head does once it has its lines
    done = subprocess.run([sys.executable, "-m", "calib", *line.split()], stdout=writes, stderr=subprocess.PIPE)
    os.close(writes)
    assert done.returncode in (0, 1), done.stderr  # the parser of arguments ends its own help with 1
    assert done.stderr == b""


@pytest.mark.parametrize(
    "line",
    ["import {long}", "measure {long}", "map {long}", "quote {long} --qty 1", "predict {long}", "check --shop {long}",
     "quote part.stl --qty 1 --if {long}", "demo shop.toml", "init shop.toml/lab"],
)  # fmt: skip
def test_a_name_that_no_system_takes_is_told_and_cut(lab, calib, line):
    status, out, err = calib(line.format(long="a" * 4000))
    assert (status, out) == (2, "")
    assert len(err) < 600
