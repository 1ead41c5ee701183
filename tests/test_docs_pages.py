"""The pages of docs/: they build without a warning, load nothing from elsewhere, and their examples run."""

from __future__ import annotations

import doctest
import re
import subprocess
import sys

import pytest
from doc_pages import DOCS, play

from calib.cli.commands import IN_ORDER

pytestmark = pytest.mark.slow
LOADS = re.compile(
    r"<(?:script|img|link|iframe)[^>]*?(?:src|href)=\"((?:https?:)?//[^\"]+)|url\((https?:[^)]+)\)|@import"
)


def test_the_site_builds_without_a_warning_and_loads_nothing_from_elsewhere(tmp_path):
    words = [sys.executable, "-m", "sphinx", "-W", "--keep-going", "-q", "-d", str(tmp_path / "trees"), str(DOCS)]
    built = subprocess.run([*words, str(tmp_path / "site")], capture_output=True, text=True, check=False)
    assert (built.returncode, built.stdout + built.stderr) == (0, "")
    pages = [path for path in (tmp_path / "site").rglob("*") if path.suffix in (".html", ".css")]
    assert len(pages) > 10
    equations = (tmp_path / "site" / "equations.html").read_text("utf-8")
    assert equations.count("<math ") == (DOCS / "equations.md").read_text("utf-8").count("\n$$\n") / 2 > 30
    assert "\\frac" not in equations  # what a browser draws, not what is typed
    assert {path.name: found for path in pages if (found := LOADS.findall(path.read_text("utf-8")))} == {}
    commands = (tmp_path / "site" / "made" / "commands.html").read_text("utf-8")
    assert all(f"Usage: calib {name} " in commands for name in IN_ORDER)


def test_the_weekly_import_runs_as_its_page_says(tmp_path, monkeypatch, capsys):
    monkeypatch.delenv("CALIB_SHOP", raising=False)
    play("import_weekly.md", tmp_path)
    shown = capsys.readouterr().out
    assert "printng" in shown
    assert (tmp_path / "my-lab" / "night_shift.map.toml").exists()
    assert list((tmp_path / "my-lab" / "pages").glob("week-*.html"))


def test_the_example_of_the_class_is_true():
    assert doctest.testfile(str(DOCS / "calibrator.md"), module_relative=False).failed == 0
