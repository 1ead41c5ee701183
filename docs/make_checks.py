"""Write checks.md from the marks of the tests: which publication or library each compares with, and how it was read."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

HERE = Path(__file__).parent
ROOM = HERE.parent / "tests" / "published"


def outside_checks() -> list[tuple[str, str, str]]:
    """(source, how it was read, test) of every test that is marked ``outside``."""
    found = []
    for path in sorted(ROOM.glob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            for mark in getattr(node, "decorator_list", []):
                if ast.unparse(mark).startswith("pytest.mark.outside("):
                    source, how = (ast.literal_eval(argument) for argument in mark.args)
                    found.append((source, how, f"{path.stem}.{node.name}"))
    return found


def checks() -> str:
    """The page as text."""
    rows = [f"| {source} | {how} | `{test}` |" for source, how, test in outside_checks()]
    head = [
        "# Checks of physics and geometry from outside",
        "",
        "Made from the tests (`python docs/make_checks.py`). *seen*: the value or equation was read in the source, or in",
        "the copy named; *computed*: worked out from the equation that was read; *from memory*: not confirmed. Facts of the",
        "trade are apart, in `tests/baseline/test_facts_of_the_trade.py`: common practice, no source.",
        "",
        "Studies that give an order of size alone stand in `tests/published/test_build_time_studies.py` without a row",
        "here. No published build time of laser sintering with all its settings could be read.",
        "",
        "| source | how | test |",
        "| --- | --- | --- |",
    ]
    return "\n".join([*head, *rows, ""])


if __name__ == "__main__":
    (HERE / "checks.md").write_text(checks(), encoding="utf-8")
    sys.stdout.write(f"checks.md written: {len(outside_checks())} checks\n")
