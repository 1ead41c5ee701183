"""Write equations.md from the docstrings of the physics and geometry, so that it cannot rot."""

from __future__ import annotations

import ast
import inspect
import re
import sys
from pathlib import Path

HERE = Path(__file__).parent
MATH = re.compile(r"\n?\.\. math::(.*?)\n\n", re.DOTALL)  # up to the next empty line
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
                    before, *rest = MATH.split(inspect.cleandoc(text) + "\n\n")
                    lines += [
                        f"## `{room}.{path.stem}.{node.name}`",
                        "",
                        *([before.strip(), ""] if before.strip() else []),
                    ]
                    for formula, after in zip(rest[::2], rest[1::2], strict=True):
                        lines += ["$$", " ".join(formula.split()), "$$", "", *words(after)]
    return "\n".join(lines)


def words(text: str) -> list[str]:
    """A piece of a docstring with its lines as they stand; nothing of an empty one."""
    return ["```text", text.strip("\n"), "```", ""] if text.strip() else []


if __name__ == "__main__":
    (HERE / "equations.md").write_text(equations(), encoding="utf-8")
    sys.stdout.write("equations.md written\n")
