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
    "documents": "errors records",
    "results": "errors",
    "scratch": "",
    "progress": "",
    "toml_lines": "errors",
    "safety": "records",
    "spelling": "",
    "calendar": "errors records",
    "plain_file": "errors",
    "in_child": "errors scratch",
    "shop": "errors records calendar safety spelling toml_lines plain_file",
    "geometry": "errors records plain_file in_child",
    "baseline": "errors records safety shop geometry",
    "calibration": "errors records documents progress",
    "logs": "errors records documents calendar safety spelling toml_lines plain_file in_child results scratch",
    "store": "errors records documents progress calendar spelling locate results logs plain_file in_child scratch",
    "quoting": "errors records documents spelling calendar safety shop geometry baseline calibration",
    "drift": "errors records documents calibration",
    "report": "errors records documents calendar safety",
    "workflow": "errors records documents progress calendar safety spelling locate toml_lines plain_file in_child scratch results shop geometry logs store baseline calibration quoting drift report",
    "serve": "errors records documents safety scratch shop report workflow",
    "sites": "__init__ errors documents progress results report workflow",
    "cli": "errors records spelling documents progress plain_file workflow serve sites",
    "__main__": "cli",
}


ONLY_IN = {"duckdb": {"store"}}  # library -> the rooms that may import it
NOT_IN = {"pandas": {"calendar", "geometry", "baseline", "shop"}}


def room_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imported_names(path: Path) -> list[str]:
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names += [f"{'.' * node.level}{node.module or ''}.{alias.name}" for alias in node.names]
    return names


def problem_of(room: str, name: str) -> str:
    """What is wrong with an import in a room, or ''."""
    first, *rest = name.split(".")
    if not first:
        return "write the whole name instead of a relative import"
    if room not in ONLY_IN.get(first, {room}):
        return f"only {', '.join(ONLY_IN[first])} may"
    if room in NOT_IN.get(first, ()):
        return "this room does without"
    if first == "calib" and rest and rest[0] in FEEDS and rest[0] not in {room, *FEEDS[room].split()}:
        return f"{rest[0]} does not feed {room}"
    return ""


def test_imports_come_from_rooms_that_feed_their_own():
    paths = sorted(PACKAGE.rglob("*.py"))
    assert {room_of(path) for path in paths} == set(FEEDS)
    assert [
        f"{path.relative_to(PACKAGE)} imports {name}: {problem}"
        for path in paths
        for name in imported_names(path)
        if (problem := problem_of(room_of(path), name))
    ] == []


@pytest.mark.parametrize(
    ("room", "name"),
    [("store", "calib.workflow.fit"), ("logs", "duckdb"), ("baseline", "pandas"), ("store", "..errors.CalibError")],
)
def test_what_does_not_hold_is_seen(room, name):
    assert problem_of(room, name)
