"""Parts measured earlier, in the poses in which they were quoted, with their exact layer profiles; times of machine paths."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

import duckdb
import numpy as np

from calib.records import Enclosed, LayerProfile, MeasuredPart
from calib.store.transaction import transaction

ARRAYS = [field.name for field in fields(LayerProfile) if field.name != "layer_mm"]
FACTS = [field.name for field in fields(MeasuredPart) if field.name != "profile"]
Parts = dict[tuple[str, str], list[MeasuredPart]]


def save_parts(con: duckdb.DuckDBPyConnection, parts: Sequence[MeasuredPart]) -> None:
    """Keep parts; one of the same name and process goes where its file has changed, or its pose is measured again."""
    with transaction(con):
        for part in parts:
            con.execute(_DELETE, [part.name, part.process, part.sha256, part.quantity])
            con.execute(_INSERT, [*map(_fact, [getattr(part, name) for name in FACTS]), *_arrays(part.profile)])


def find_parts(con: duckdb.DuckDBPyConnection) -> Parts:
    """Parts by the name of their file and process, in every pose that is kept."""
    rows = con.execute(
        f"SELECT {', '.join(FACTS)}, layer_mm, {', '.join(ARRAYS)} FROM part WHERE process IS NOT NULL ORDER BY measured_at"
    ).fetchall()
    parts: Parts = {}
    for row in rows:
        facts = dict(zip(FACTS, row, strict=False))
        stated: dict[str, Any] = {name: value for name, value in facts.items() if value is not None}
        if "size_mm" in stated:
            stated["size_mm"] = tuple(stated["size_mm"])
        if "enclosed" in stated:
            stated["enclosed"] = Enclosed(*stated["enclosed"])
        part = MeasuredPart(**stated, profile=_profile(*row[len(FACTS) :]))
        parts.setdefault((part.name, part.process), []).append(part)
    return parts


def find_contents(con: duckdb.DuckDBPyConnection) -> dict[str, tuple[tuple[str, int], ...]]:
    """Name of each part's file and its copies, by build, of builds whose items all name one."""
    rows = con.execute(
        "SELECT build_id, part_file, sum(qty) FROM item GROUP BY ALL "
        "HAVING build_id NOT IN (SELECT build_id FROM item WHERE part_file IS NULL OR part_file = '') ORDER BY 1, 2"
    ).fetchall()
    contents: dict[str, tuple[tuple[str, int], ...]] = {}
    for build, name, copies in rows:
        contents[build] = (*contents.get(build, ()), (name, int(copies)))
    return contents


def find_sides(con: duckdb.DuckDBPyConnection) -> list[float]:
    """Greatest side of every part [mm]."""
    rows = con.execute(
        "SELECT max(list_max(size_mm)) FROM part WHERE size_mm IS NOT NULL GROUP BY name, sha256 ORDER BY 1"
    ).fetchall()
    return [side for (side,) in rows]


_DELETE = "DELETE FROM part WHERE name = ? AND process = ? AND (sha256 <> ? OR quantity IS NULL OR quantity = ?)"
_INSERT = (
    f"INSERT INTO part ({', '.join(FACTS)}, layer_mm, {', '.join(ARRAYS)}, summary, measured_at) "
    f"VALUES ({', '.join('?' * (len(FACTS) + 1 + len(ARRAYS)))}, '', (now() AT TIME ZONE 'UTC')::TIMESTAMP)"
)


def _fact(value: object) -> object:
    return list(value) if isinstance(value, tuple) else value


def _arrays(profile: LayerProfile) -> list[object]:
    values = [getattr(profile, name) for name in ARRAYS]
    return [
        profile.layer_mm,
        *(None if array is None else np.asarray(array, float).ravel().tolist() for array in values),
    ]


def _profile(layer_mm: float, *arrays: list[float] | None) -> LayerProfile:
    named = zip(ARRAYS, arrays, strict=True)
    values = {name: np.array(array, float) for name, array in named if array is not None}
    values["line_width_mm"] = values["line_width_mm"].reshape(len(values["z_mm"]), -1)
    return LayerProfile(layer_mm=layer_mm, **values)


PathKey = tuple[str, str]  # name of the file, parameters of the machine


def find_path_times(con: duckdb.DuckDBPyConnection) -> dict[PathKey, tuple[str, float]]:
    """(name, parameters) -> digest of the file, and its printing minutes [min]."""
    rows = con.execute("SELECT name, parameters, sha256, printing_min FROM path_time ORDER BY measured_at").fetchall()
    return {(name, parameters): (sha256, minutes) for name, parameters, sha256, minutes in rows}


def save_path_times(con: duckdb.DuckDBPyConnection, times: dict[PathKey, tuple[str, float]]) -> None:
    """Keep times; one of the same name and parameters is replaced."""
    with transaction(con):
        for (name, parameters), (sha256, minutes) in times.items():
            con.execute("DELETE FROM path_time WHERE name = ? AND parameters = ?", [name, parameters])
            con.execute(
                "INSERT INTO path_time VALUES (?, ?, ?, ?, (now() AT TIME ZONE 'UTC')::TIMESTAMP)",
                [name, sha256, parameters, minutes],
            )
