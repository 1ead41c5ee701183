"""The notebook of docs/ runs from its first cell to its last, and says what it shows."""

from __future__ import annotations

import ast
import contextlib
import io
import json
from typing import Any

import pytest
from doc_pages import DOCS

NOTEBOOKS = sorted(DOCS.glob("*.ipynb"))


def run_cell(source: str, names: dict[str, Any]) -> str:
    """What a code cell prints, then its last expression as text, where it has a value."""
    tree = ast.parse(source)
    last = ast.Expression(tree.body.pop().value) if isinstance(tree.body[-1], ast.Expr) else None
    shown = io.StringIO()
    with contextlib.redirect_stdout(shown):
        exec(compile(tree, "cell", "exec"), names)
        value = eval(compile(last, "cell", "eval"), names) if last else None
    return shown.getvalue() + ("" if value is None else repr(value))


def shown_in(cell: dict[str, Any]) -> str:
    return "".join("".join(out.get("text") or out["data"]["text/plain"]) for out in cell["outputs"])


def test_a_cell_shows_what_it_prints_and_its_last_value():
    names: dict[str, Any] = {}
    assert run_cell("x = 2\nprint('two')\nx + 1", names) == "two\n3"
    assert run_cell("x = x * 5", names) == ""
    with pytest.raises(ZeroDivisionError):
        run_cell("x / 0", names)


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_the_notebook_shows_what_it_does(path):
    names: dict[str, Any] = {}
    cells = [cell for cell in json.loads(path.read_text("utf-8"))["cells"] if cell["cell_type"] == "code"]
    assert len(cells) > 3
    for cell in cells:
        assert run_cell("".join(cell["source"]), names) == shown_in(cell)
