"""How the documentation is built: ``python -m sphinx -W docs build/docs``. What is made from the program is made first."""

from __future__ import annotations

import re
import sys
from importlib.metadata import version as version_of
from pathlib import Path
from typing import Any

from docutils.nodes import SkipNode, math
from latex2mathml.converter import convert

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

import make_pictures  # noqa: E402  # it stands beside this file
import make_reference  # noqa: E402

project = "calib"
author = "the authors of calib"
copyright = "the authors of calib, MIT licence"  # the name that the builder reads
version = release = version_of("calib")
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["_build"]
myst_enable_extensions = ["dollarmath"]
myst_heading_anchors = 3
html_math_renderer = "mathml"
html_theme = "alabaster"
html_static_path = ["_static"]  # its custom.css is the theme's hook
html_theme_options = {
    "description": "How long until these parts are finished?",
    "page_width": "72rem",
    "font_family": "sans-serif",
}
html_copy_source = False
html_show_sourcelink = False
autodoc_preserve_defaults = True
autodoc_typehints = "none"  # the docstrings say what is what, with units
suppress_warnings = [
    "myst.xref_missing"
]  # pages that are read on their own too name files beside the repository's root


def setup(app: Any) -> None:
    make_reference.write(HERE / "made")
    make_pictures.write(HERE / "made")
    app.add_html_math_renderer("mathml", inline_renderers=(as_mathml, None), block_renderers=(as_mathml, None))
    app.connect("autodoc-process-docstring", as_fields, priority=100)  # before sections are read


def as_mathml(builder: Any, node: Any) -> None:
    """A formula as browsers draw it themselves: no script, nothing loaded."""
    display = "inline" if isinstance(node, math) else "block"
    builder.body.append(convert(node.astext(), display=display))
    raise SkipNode


def as_fields(app: Any, what: str, name: str, thing: Any, options: Any, lines: list[str]) -> None:
    """Lines of our docstrings such as 'rows : columns ...' become terms with their texts; a name that ends in _ is no link.

    Sections that are underlined are left to the reader of sections.
    """
    if what == "property":
        lines[0] = lines[0].replace(": ", ", ", 1)  # else what stands before a colon is taken for a type
    if any(re.fullmatch(r"\s*-{3,}", line) for line in lines):
        return
    made: list[str] = []
    inside = False
    for line in lines:
        term = re.match(r"(\w+(?:, \w+)*) : (.*)", line)
        if term:
            made += ["", f"``{term[1]}``", f"    {term[2]}"]
        elif inside and line.startswith(" "):
            made.append(f"    {line.strip()}")
        else:
            made += ["", line] if inside else [line]
        inside = bool(term) or (inside and line.startswith(" "))
    lines[:] = [re.sub(r"(?<![`\w])(\w+)_(?=[\s,.;:)]|$)", r"``\1_``", line) for line in made]
