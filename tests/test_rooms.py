"""Imports follow the data: a module imports only from the rooms that feed its own."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import calib

PACKAGE = Path(calib.__file__).parent
FEEDS = {
    "__init__": "calibration",
    "errors": "",
    "records": "",
    "locate": "",
    "results": "errors",
    "scratch": "",
    "toml_lines": "errors",
    "safety": "records",
    "spelling": "",
    "plain_file": "errors",
    "in_child": "errors scratch",
    "shop": "errors records safety spelling toml_lines plain_file",
    "geometry": "errors records plain_file in_child",
    "baseline": "errors records safety shop geometry",
    "calibration": "errors records",
    "logs": "errors records safety spelling toml_lines plain_file in_child results scratch",
    "store": "errors records spelling locate results logs plain_file in_child scratch",
    "quoting": "errors records safety shop geometry baseline calibration",
    "drift": "errors records calibration",
    "report": "errors records safety",
    "workflow": "errors records safety spelling locate toml_lines plain_file in_child scratch results shop geometry logs store baseline calibration quoting drift report",
    "serve": "errors records safety scratch shop report workflow",
    "cli": "errors records plain_file workflow serve",
    "__main__": "cli",
}


def room_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imported_names(path: Path) -> list[str]:
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: write the whole name instead of a relative import"
            names += [f"{node.module}.{alias.name}" for alias in node.names]
    return names


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_come_from_rooms_that_feed_this_one(path):
    room = room_of(path)
    allowed = {room, *FEEDS[room].split()}
    for name in imported_names(path):
        parts = name.split(".")
        if parts[0] == "calib" and len(parts) > 1:
            known = parts[1] in FEEDS or parts[1] == "__version__"
            assert not known or parts[1] in allowed or parts[1] == "__version__", (
                f"{path.name} (in {room}) imports {name}"
            )
        if parts[0] == "duckdb":
            assert room == "store", f"{path.name} imports duckdb: only the room 'store' may"
        if parts[0] == "pandas":
            assert room not in {"geometry", "baseline", "shop"}, f"{path.name} (in {room}) imports pandas"
