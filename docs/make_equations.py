"""Write equations.md from the docstrings of the physics and geometry, so that it cannot rot."""

from __future__ import annotations

import ast
import inspect
import sys
from pathlib import Path

HERE = Path(__file__).parent
ROOMS = ("baseline", "geometry", "quoting")


def equations() -> str:
    """The page as text: every public function whose docstring states an equation."""
    lines = [
        "# Equations",
        "",
        "Made from the docstrings (`python docs/make_equations.py`): symbols, ranges, sources.",
        "",
    ]
    for room in ROOMS:
        for path in sorted((HERE.parent / "calib" / room).glob("*.py")):
            for node in ast.parse(path.read_text(encoding="utf-8")).body:
                text = ast.get_docstring(node, clean=False) if isinstance(node, ast.FunctionDef) else None
                if text and ".. math::" in text and not node.name.startswith("_"):
                    lines += [f"## `{room}.{path.stem}.{node.name}`", "", "```text", inspect.cleandoc(text), "```", ""]
    return "\n".join(lines)


if __name__ == "__main__":
    (HERE / "equations.md").write_text(equations(), encoding="utf-8")
    sys.stdout.write("equations.md written\n")
