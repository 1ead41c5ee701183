"""The weekly run: everything in one call, quiet when all is well, never twice at once."""

import json
import shutil

import pytest
from filelock import FileLock

from calib.cli.app import run
from calib.locate import shipped_folder
from calib.report.sentences import held_up_by
from calib.workflow.capacity import find_capacity
from calib.workflow.week import LOCK_NAME

DEMO = shipped_folder("demo_logs")


@pytest.fixture
def lab(tmp_path):
    assert run(["init", str(tmp_path / "lab"), "--timezone", "Europe/Berlin"]) == 0
    shutil.copy(DEMO / "shop.toml", tmp_path / "lab" / "shop.toml")
    return tmp_path / "lab"


def logs_of(lab, rows):
    """One month's first rows of the demo's builds, and the bench's log of the same days."""
    folder = lab.parent / "some"
    folder.mkdir()
    for path in sorted((DEMO / "logs").glob("2026-06-*.csv")):
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        (folder / path.name).write_text("".join(lines[:rows]), encoding="utf-8")
    return folder


def test_too_little_to_learn_from_is_stored_and_said(lab, tmp_path, capsys):
    logs = tmp_path / "b.csv"
    logs.write_text("build_id,process,machine,parts\nB1,MEX,ext-1,2\n", encoding="utf-8")
    capsys.readouterr()
    assert run(["week", str(logs), "--shop", str(lab)]) == 0
    assert "1 new row stored, no page yet: No finished run is logged yet." in capsys.readouterr().out


def test_a_second_run_at_the_same_time_says_so_and_changes_nothing(lab, tmp_path, capsys):
    with FileLock(lab / LOCK_NAME):
        assert run(["week", str(DEMO / "logs"), "--shop", str(lab)]) == 2
    assert "Another weekly run is at work" in capsys.readouterr().err


def test_a_quiet_week_says_nothing_and_writes_its_page(lab, capsys):
    logs = logs_of(lab, rows=60)
    run(["week", str(logs), "--shop", str(lab)])
    capsys.readouterr()
    assert run(["week", str(logs), "--shop", str(lab), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["newly_set_aside"] == 0
    assert document["report"]["drifting"] == []
    assert document["quiet"]
    (page,) = (lab / "pages").glob("*.html")
    full, text = find_capacity(lab), page.read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    assert held_up_by(full["resources"][0], full["lead_time_h"]) in text  # one number for one thing
    assert run(["week", str(logs), "--shop", str(lab)]) == 0
    assert capsys.readouterr().out == ""
