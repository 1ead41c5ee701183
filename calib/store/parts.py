"""Parts measured earlier, with their exact layer profiles."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

import duckdb
import numpy as np

from calib.records import LayerProfile

ARRAYS = [field.name for field in fields(LayerProfile) if field.name != "layer_mm"]


def save_part(
    con: duckdb.DuckDBPyConnection, name: str, sha256: str, profile: LayerProfile, summary: dict[str, Any]
) -> None:
    """Keep a part's layer profile; the same file and layer thickness again replaces it."""
    lists = [np.asarray(getattr(profile, array), float).ravel().tolist() for array in ARRAYS]
    con.execute("DELETE FROM part WHERE name = ? AND layer_mm = ?", [name, profile.layer_mm])
    con.execute(
        f"INSERT INTO part (name, sha256, layer_mm, measured_at, summary, {', '.join(ARRAYS)}) "
        f"VALUES (?, ?, ?, (now() AT TIME ZONE 'UTC')::TIMESTAMP, ?, {', '.join('?' * len(ARRAYS))})",
        [name, sha256, profile.layer_mm, json.dumps(summary, default=str), *lists],
    )


def find_part(con: duckdb.DuckDBPyConnection, name_or_sha256: str) -> list[tuple[LayerProfile, dict[str, Any]]]:
    """Profiles and summaries of a part by its file's name or digest, thinnest layers first."""
    found = con.execute(
        f"SELECT layer_mm, summary, {', '.join(ARRAYS)} FROM part WHERE name = ? OR sha256 = ? ORDER BY layer_mm",
        [name_or_sha256, name_or_sha256],
    ).fetchall()
    return [(_profile(layer, arrays), json.loads(summary)) for layer, summary, *arrays in found]


def find_profiles(con: duckdb.DuckDBPyConnection) -> dict[str, LayerProfile]:
    """The last measured profile of each part, by name of its file."""
    found = con.execute(f"SELECT name, layer_mm, {', '.join(ARRAYS)} FROM part ORDER BY measured_at").fetchall()
    return {name: _profile(layer, arrays) for name, layer, *arrays in found}


def _profile(layer_mm: float, arrays: list[list[float]]) -> LayerProfile:
    values = {name: np.array(values, float) for name, values in zip(ARRAYS, arrays, strict=True)}
    values["line_width_mm"] = values["line_width_mm"].reshape(len(values["z_mm"]), -1)
    return LayerProfile(layer_mm=layer_mm, **values)
