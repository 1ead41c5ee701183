"""The page of equations is made from docstrings, and is current."""

from __future__ import annotations

import runpy
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_the_page_of_equations_is_current():
    made = runpy.run_path(str(ROOT / "docs" / "make_equations.py"))["equations"]()
    assert (ROOT / "docs" / "equations.md").read_text(encoding="utf-8") == made, "run: python docs/make_equations.py"
