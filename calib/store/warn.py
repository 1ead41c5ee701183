"""What came in and is right as far as rules go, but what a person should know."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import duckdb


def warnings_of(
    con: duckdb.DuckDBPyConnection,
    machines: Mapping[str, str] | None,
    files: Iterable[Mapping[str, Any]],
    odd: Mapping[str, int],
) -> list[str]:
    """Sentences.

    machines : id -> process of those that the shop file knows; None: it is not asked
    odd : how many local times exist 'twice', and how many are 'missing'
    """
    return [
        *(_machine_warnings(con, machines) if machines is not None else ()),
        *_column_warnings(files),
        *_clock_warnings(odd),
    ]


def _machine_warnings(con: duckdb.DuckDBPyConnection, machines: Mapping[str, str]) -> Iterator[str]:
    found = con.execute(
        "SELECT machine, process, count(*), min(build_id) FROM build GROUP BY machine, process ORDER BY machine, process"
    ).fetchall()
    for name in dict.fromkeys(row[0] for row in found):
        if name not in machines:
            yield f'Machine "{name}" is not in the shop file: the defaults of its process are used.'
    for name, process, builds, first in found:
        own = machines.get(name, process)
        if process != own:
            which = f"build {first} is" if builds == 1 else f"{builds} builds (the first is {first}) are"
            yield f"{which[0].upper()}{which[1:]} {process} on {name}, which is a {own} machine: look at machine and process."


def _column_warnings(files: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    for file in files:
        if file["kept_columns"]:
            yield f"{file['path']}: columns that calib does not know were kept untouched: {', '.join(file['kept_columns'])}."


def _clock_warnings(odd: Mapping[str, int]) -> Iterator[str]:
    for kind, one, many, what in (
        ("twice", "local time exists twice", "local times exist twice", "(the clock went back): the first was taken"),
        (
            "missing",
            "local time does not exist",
            "local times do not exist",
            "(the clock went forward): moved on by the gap",
        ),
    ):
        if odd.get(kind):
            yield f"{odd[kind]} {one if odd[kind] == 1 else many} {what}."
