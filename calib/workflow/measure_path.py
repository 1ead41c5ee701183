"""Minutes of a machine's path, layer by layer; a shop is needed only for a machine of its own."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from calib.baseline.path import PARAMETERS, path_time
from calib.errors import UsageError
from calib.geometry.read_path import ENDINGS, read_path
from calib.records import MOVE_KINDS
from calib.shop.keys import machine_defaults
from calib.shop.read_shop import read_shop


def is_path(file: Path) -> bool:
    """Whether the ending is that of a path, not of a part."""
    return file.suffix.lower() in ENDINGS


def measure_path(file: Path, shop: Path, machine: str | None = None) -> dict[str, Any]:
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
    layers = [
        {"z_mm": float(z), "minutes": float(row.sum()), **dict(zip(_keys(), map(float, row), strict=True))}
        for z, row in zip(path.layer_z_mm, minutes, strict=True)
    ]
    return {
        "path": path.name,
        "machine": {"id": machine, **params},
        "lines": path.blocks,
        "moves": len(path.kind),
        "size_mm": path.size_mm.tolist(),
        "printing_min": time.printing_min,
        **dict(zip(_keys(), map(float, minutes.sum(axis=0)), strict=True)),
        "heat_before_min": time.first_heat_s / 60.0,
        "heat_between_min": time.later_heat_s / 60.0,
        "layers": layers,
        "warnings": list(path.notes),
    }


def _keys() -> list[str]:
    return [f"{kind}_min" for kind in MOVE_KINDS]


def _parameters(shop: Path, machine: str | None) -> Mapping[str, float]:
    if machine is None:
        params: Mapping[str, float] = machine_defaults("extruder")
    else:
        extruders = {one.id: one.params for one in read_shop(shop).machines.values() if one.kind == "extruder"}
        if machine not in extruders:
            raise UsageError(
                f'--machine "{machine}" is no extruder of the shop.',
                f"Its extruders: {', '.join(extruders) or 'none'}.",
            )
        params = extruders[machine]
    return {name: float(params[name]) for name in PARAMETERS}
