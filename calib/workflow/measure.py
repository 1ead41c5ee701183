"""Geometry of a part as it lies in its file, and the minutes of a path that a machine will run."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import cast

import numpy as np

from calib.baseline.path import PARAMETERS, path_time
from calib.documents.part import (
    Hollows,
    Layer,
    MeasureDocument,
    MoveMinutes,
    PathDocument,
    PathLayer,
    PathMachine,
    Room,
)
from calib.errors import UsageError
from calib.geometry.hollows import NARROW_MM, find_hollows
from calib.geometry.layer_profile import layer_profile
from calib.geometry.mesh import Mesh
from calib.geometry.read_mesh import read_mesh
from calib.geometry.read_path import ENDINGS, read_path
from calib.geometry.slices import of_slices
from calib.geometry.supports import find_supports
from calib.shop.keys import machine_defaults
from calib.shop.read_shop import read_shop

MOST_LAYERS = 200_000
OVERHANG_DEG = 45.0  # usual for extrusion and resin; common practice, no source


def measure_part(part: Path, layer_mm: float | None = None, unit: str | None = None) -> MeasureDocument:
    """The ``measure`` document (docs/interface.md)."""
    mesh = read_mesh(part, unit=unit)
    supports = find_supports(mesh.triangles, OVERHANG_DEG)
    document: MeasureDocument = {
        "part": part.name,
        "volume_cm3": mesh.volume_mm3 / 1000.0,
        "area_cm2": mesh.area_mm2 / 100.0,
        "bounds_mm": mesh.bounds_mm.tolist(),
        "watertight": bool(mesh.watertight),
        "bodies": mesh.bodies,
        "unit": mesh.unit,
        "supports": {
            "overhang_deg": OVERHANG_DEG,
            "volume_cm3": supports.volume_cm3,
            "contact_cm2": supports.contact_cm2,
        },
        "hollows": _hollows(mesh),
        "warnings": list(mesh.notes),
    }
    if layer_mm is not None:
        document["layers"] = _layers(mesh, layer_mm)
    return document


def _hollows(mesh: Mesh) -> Hollows:
    hollows = find_hollows(mesh)
    rooms: list[Room] = [
        {
            "volume_cm3": room.volume_mm3 / 1000.0,
            "opening_cm2": room.opening_mm2 / 100.0,
            "opening_mm": room.opening_mm,
            "openings": room.openings,
        }
        for room in hollows.rooms
    ]
    return {
        "sealed_cm3": sum(hollows.sealed_mm3) / 1000.0,
        "open_cm3": hollows.open_mm3 / 1000.0,
        "opening_cm2": sum(room["opening_cm2"] for room in rooms),
        "rooms": rooms,
        "narrow_cm3": hollows.narrow_mm3 / 1000.0,
        "narrow_mm": NARROW_MM,
    }


def _layers(mesh: Mesh, layer_mm: float) -> list[Layer]:
    if not math.isfinite(layer_mm) or layer_mm <= 0:
        raise UsageError(f"--layers {layer_mm:g} is not a thickness.", "Give millimetres above 0, e.g. --layers 0.2.")
    height = float(mesh.size_mm[2])
    if height / layer_mm > MOST_LAYERS:
        raise UsageError(
            f"--layers {layer_mm:g} cuts a part {height:g} mm high into {height / layer_mm:.0f} layers.",
            f"At most {MOST_LAYERS} are listed; give a thicker layer.",
        )
    lowest = float(mesh.bounds_mm[0, 2])
    profile = layer_profile(mesh.triangles, layer_mm, topology=mesh.topology)
    profile = of_slices(profile, mesh.slices, lowest, np.eye(3))
    return [
        {"z_mm": float(z) + lowest, "area_mm2": float(area), "perimeter_mm": float(perimeter)}
        for z, area, perimeter in zip(profile.z_mm, profile.area_mm2, profile.perimeter_mm, strict=True)
    ]


def is_path(file: Path) -> bool:
    """Whether the ending is that of a path, not of a part."""
    return file.suffix.lower() in ENDINGS


def measure_path(file: Path, shop: Path, machine: str | None = None) -> PathDocument:
    """The document of ``measure`` for a path.

    shop : folder of the shop, read only where a machine is named
    machine : whose acceleration, corner speed and heaters count; None: an extruder as calib assumes it
    Raises PathFileError for a file that is no path, UsageError for a machine that is no extruder of the shop,
    OutsideModelError for a temperature that it never reaches.
    """
    path = read_path(file)
    params = _parameters(shop, machine)
    time = path_time(path, params)
    minutes = time.layer_s / 60.0
    layers: list[PathLayer] = [
        {"z_mm": float(z), "minutes": float(row.sum()), **_by_kind(row)}
        for z, row in zip(path.layer_z_mm, minutes, strict=True)
    ]
    return {
        "path": path.name,
        "machine": cast(PathMachine, {"id": machine, **params}),
        "lines": path.blocks,
        "moves": len(path.kind),
        "size_mm": path.size_mm.tolist(),
        "printing_min": time.printing_min,
        **_by_kind(minutes.sum(axis=0)),
        "heat_before_min": time.first_heat_s / 60.0,
        "heat_between_min": time.later_heat_s / 60.0,
        "layers": layers,
        "warnings": list(path.notes),
    }


def _by_kind(minutes: np.ndarray) -> MoveMinutes:
    laying, travel, material, dwell = map(float, minutes)
    return {"laying_min": laying, "travel_min": travel, "material_min": material, "dwell_min": dwell}


def _parameters(shop: Path, machine: str | None) -> Mapping[str, float]:
    if machine is None:
        params: Mapping[str, float] = machine_defaults("extruder")
    else:
        extruders = {known.id: known.params for known in read_shop(shop).machines.values() if known.kind == "extruder"}
        if machine not in extruders:
            raise UsageError(
                f'--machine "{machine}" is no extruder of the shop.',
                f"Its extruders: {', '.join(extruders) or 'none'}.",
            )
        params = extruders[machine]
    return {name: float(params[name]) for name in PARAMETERS}
