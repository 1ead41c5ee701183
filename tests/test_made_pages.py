"""The page of equations is made from docstrings, and is current."""

from __future__ import annotations

import runpy
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_the_page_of_equations_is_current():
    made = runpy.run_path(str(ROOT / "docs" / "make_equations.py"))["equations"]()
    assert (ROOT / "docs" / "equations.md").read_text(encoding="utf-8") == made, "run: python docs/make_equations.py"


def test_the_page_of_outside_checks_is_current_and_has_twenty_five():
    made = runpy.run_path(str(ROOT / "docs" / "make_checks.py"))
    assert (ROOT / "docs" / "checks.md").read_text(encoding="utf-8") == made["checks"](), (
        "run: python docs/make_checks.py"
    )
    sources = {source for source, how, _ in made["outside_checks"]() if how != "computed"}
    assert len(sources) >= 25
    assert all("seen" in how or how in ("independent library", "computed") or how.startswith("from memory")
               for _, how, _ in made["outside_checks"]())  # fmt: skip
