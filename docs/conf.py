"""How the documentation is built: ``python -m sphinx -W docs build/docs``. What is made from the program is made first."""

from __future__ import annotations

import re
import sys
from importlib.metadata import version as version_of
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

import make_pictures  # noqa: E402  # it stands beside this file
import make_reference  # noqa: E402

project = "calib"
author = "the authors of calib"
version = release = version_of("calib")
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["_build"]
myst_heading_anchors = 3
html_theme = "alabaster"
html_theme_options = {
    "description": "How long until these parts are finished?",
    "page_width": "72rem",
    "font_family": "sans-serif",
}
html_copy_source = False
autodoc_typehints = "none"  # the docstrings say what is what, with units
suppress_warnings = [
    "myst.xref_missing"
]  # pages that are read on their own too name files beside the repository's root


def setup(app: Any) -> None:
    make_reference.write(HERE / "made")
    make_pictures.write(HERE / "made")
    app.connect("autodoc-process-docstring", as_fields, priority=100)  # before sections are read


def as_fields(app: Any, what: str, name: str, thing: Any, options: Any, lines: list[str]) -> None:
    """Lines of our docstrings such as 'rows : columns ...' become fields; a name that ends in _ is no link.

    Sections that are underlined are left to the reader of sections.
    """
    if any(re.fullmatch(r"\s*-{3,}", line) for line in lines):
        return
    made: list[str] = []
    inside = False
    for line in lines:
        field = re.match(r"([\w., ]+?) : (.*)", line)
        if field or (inside and not line.startswith(" ")):
            if not (field and inside):
                made.append("")
            inside = bool(field)
        made.append(f":{field[1]}: {field[2]}" if field else line)
    lines[:] = [re.sub(r"(?<![`\w])(\w+)_(?=[\s,.;:)]|$)", r"``\1_``", line) for line in made]
