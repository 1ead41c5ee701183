"""What came in and is right as far as rules go, but what a person should know."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import duckdb

from calib.logs.strange_names import strange_names


def warnings_of(
    con: duckdb.DuckDBPyConnection,
    known: Mapping[str, Mapping[str, str]],
    files: Iterable[Mapping[str, Any]],
    odd: Mapping[str, int],
) -> list[str]:
    """Sentences.

    known : 'machine', 'material' -> id -> process of those that the shop file has; what is missing is not looked at
    odd : how many local times exist 'twice', and how many are 'missing'
    """
    return [
        *(sentence for column, ids in known.items() for sentence in _name_warnings(con, column, ids)),
        *_file_warnings(files),
        *_clock_warnings(odd),
    ]


def _name_warnings(con: duckdb.DuckDBPyConnection, column: str, known: Mapping[str, str]) -> Iterator[str]:
    found = con.execute(
        f"SELECT {column}, process, count(*), min(build_id) FROM build WHERE {column} IS NOT NULL GROUP BY ALL ORDER BY ALL"
    )
    return strange_names(column, found.fetchall(), known)


def _file_warnings(files: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    for file in files:
        yield from (f"{file['path']}: {note}." for note in file.get("notes", ()))
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
