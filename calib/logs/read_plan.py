"""A plan of builds, not stored: a ``builds`` file -> a frame of the rows that obey the rules."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.errors import LogFileError
from calib.logs.columns import KINDS, Column
from calib.logs.read_table import FAULT, LINE, read_tables
from calib.records import process_code
from calib.scratch import scratch_folder

if TYPE_CHECKING:
    import pandas as pd

TRUE, FALSE = {"true", "t", "1", "yes", "y"}, {"false", "f", "0", "no", "n"}


def read_plan(path: Path, timezone: str = "UTC") -> tuple[pd.DataFrame, list[str]]:
    """Planned builds with the columns of docs/interface.md, and a sentence for each row that was set aside.

    Raises LogFileError when the file is no table of builds.
    """
    import pandas as pd

    good, bad, seen = [], [], set()
    for line, cells in _rows(path):
        row, problems = _checked(cells)
        if row.get("build_id") in seen:
            problems.append(f'column build_id: "{row["build_id"]}" stands there twice')
        bad += [f"{path.name} line {line}, {problem}" for problem in problems]
        if not problems:
            seen.add(row["build_id"])
            good.append(row)
    frame = pd.DataFrame(good, columns=[column.name for column in KINDS["builds"]])
    numbers = [column.name for column in KINDS["builds"] if column.kind == "number"]
    frame[numbers] = frame[numbers].astype(float)
    for name in frame.columns.difference(numbers):
        frame[name] = frame[name].astype(object).where(frame[name].notna(), None)
    return frame.assign(planned=True), bad


def _rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    with scratch_folder() as work:
        tables = read_tables(path, (), work, direct=False)
        builds = [table for table in tables if table.kind == "builds"]
        if not builds:
            raise LogFileError(
                f"{path} is a log of {tables[0].kind}, not of builds.",
                "A plan has build_id, process, machine, parts, one row for each build.",
            )
        with builds[0].csv.open(encoding="utf-8", newline="") as opened:
            rows = [(int(row.pop(LINE)), row) for row in csv.DictReader(opened)]
    return [(line, {name: cell.strip() for name, cell in row.items()}) for line, row in rows]


def _checked(cells: dict[str, str]) -> tuple[dict[str, Any], list[str]]:
    """The row typed, and what is wrong with it."""
    row: dict[str, Any] = {}
    problems = [f"the row {cells[FAULT]}"] if cells.get(FAULT) else []
    for column in KINDS["builds"]:
        text = cells.get(column.name, "")
        if not text:
            if column.needed:
                problems.append(f"column {column.name}: is empty, and is needed")
            continue
        value, problem = _value(column, text)
        row[column.name] = value
        if problem:
            problems.append(f'column {column.name}: "{text}" {problem}')
    return row, problems


def _value(column: Column, text: str) -> tuple[object, str]:
    match column.kind:
        case "number":
            return _number(column, text)
        case "process":
            code = process_code(text)
            return code, "" if code else "is no process; write MEX, VPP or PBF"
        case "flag":
            known = text.lower() in TRUE | FALSE
            return text.lower() in TRUE, "" if known else "is neither true nor false"
        case "word":
            known = text.lower() in column.words
            return text.lower(), "" if known else f"is none of {', '.join(column.words)}"
    return text, ""


def _number(column: Column, text: str) -> tuple[float | None, str]:
    """
    >>> from calib.logs.columns import column_of
    >>> _number(column_of("builds", "parts"), "0"), _number(column_of("builds", "parts"), "many")
    ((0.0, 'must be 1 or more'), (None, 'is not a number'))
    """
    try:
        value = float(text)
    except ValueError:
        return None, "is not a number"
    if value != value or value in (float("inf"), float("-inf")):
        return None, "is not a number"
    if column.above is not None and value <= column.above:
        return value, f"must be above {column.above:g}"
    if column.low is not None and value < column.low:
        return value, f"must be {column.low:g} or more"
    if column.high is not None and value > column.high:
        return value, f"must be {column.high:g} or less; look at its unit"
    return value, "must be a whole number" if column.whole and value != int(value) else ""
