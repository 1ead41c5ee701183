"""Parts measured earlier, with their exact layer profiles."""

from __future__ import annotations

from dataclasses import fields

import duckdb
import numpy as np

from calib.records import LayerProfile, MeasuredPart
from calib.store.transaction import transaction

ARRAYS = [field.name for field in fields(LayerProfile) if field.name != "layer_mm"]
FACTS = ["name", "process", "sha256", "area_cm2", "support_cm3", "contact_cm2"]


def save_parts(con: duckdb.DuckDBPyConnection, parts: list[MeasuredPart]) -> None:
    """Keep parts; one of the same name and process is replaced."""
    with transaction(con):
        for part in parts:
            con.execute("DELETE FROM part WHERE name = ? AND process = ?", [part.name, part.process])
            con.execute(_INSERT, [*(getattr(part, name) for name in FACTS), *_arrays(part.profile)])


def find_parts(con: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], MeasuredPart]:
    """Parts by the name of their file and process."""
    found = con.execute(
        f"SELECT {', '.join(FACTS)}, layer_mm, {', '.join(ARRAYS)} FROM part WHERE process IS NOT NULL ORDER BY measured_at"
    ).fetchall()
    parts = [MeasuredPart(**dict(zip(FACTS, row, strict=False)), profile=_profile(*row[len(FACTS) :])) for row in found]
    return {(part.name, part.process): part for part in parts}


_INSERT = (
    f"INSERT INTO part ({', '.join(FACTS)}, layer_mm, {', '.join(ARRAYS)}, summary, measured_at) "
    f"VALUES ({', '.join('?' * (len(FACTS) + 1 + len(ARRAYS)))}, '', (now() AT TIME ZONE 'UTC')::TIMESTAMP)"
)


def _arrays(profile: LayerProfile) -> list[object]:
    lists = [np.asarray(getattr(profile, name), float).ravel().tolist() for name in ARRAYS]
    return [profile.layer_mm, *lists]


def _profile(layer_mm: float, *arrays: list[float]) -> LayerProfile:
    values = {name: np.array(array, float) for name, array in zip(ARRAYS, arrays, strict=True)}
    values["line_width_mm"] = values["line_width_mm"].reshape(len(values["z_mm"]), -1)
    return LayerProfile(layer_mm=layer_mm, **values)
