"""What a build row allows: the best basis, and every quantity that the physics needs, filled in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.records import LayerProfile
from calib.shop.keys import KINDS, machine_defaults, material_defaults
from calib.shop.model import Shop

SURFACE_SHAPE = 8.0  # surface over volume^(2/3): 6 for a cube, more for thin walls; common practice, no source
CONTACT_SHARE = 0.02  # support contact over surface, where supports are possible; common practice, no source
BASIS_SD = {"profile": 0.30, "volume": 0.35, "announced": 0.25, "mass_layers": 0.50, "count": 0.80}  # assumptions


@dataclass(frozen=True, eq=False)
class Builds:
    """Builds of one process as arrays of one length; ``machine`` and ``material`` give one parameter for each build."""

    process: str
    parts: np.ndarray
    volume_mm3: np.ndarray
    area_mm2: np.ndarray
    support_mm3: np.ndarray
    contact_cm2: np.ndarray
    height_mm: np.ndarray
    cake_cm3: np.ndarray
    announced_min: np.ndarray
    layer_mm: np.ndarray
    difficulty: np.ndarray
    basis: np.ndarray
    kind: np.ndarray
    machine: dict[str, np.ndarray]
    material: dict[str, np.ndarray]
    floors: list[Mapping[str, float | None]]
    size_mm: np.ndarray
    profile: list[LayerProfile | None]


def read_builds(columns: Mapping[str, np.ndarray], shop: Shop, process: str, rows: np.ndarray) -> Builds:
    """The rows of one process, each quantity from the best that its row has."""
    machines = _machines(columns, shop, process, rows)
    materials = _materials(columns, shop, process, rows, machines)
    machine = _parameters([params for _, params, _ in machines])
    material = _parameters([params for params, _ in materials])
    count = len(rows)

    def column(name: str) -> np.ndarray:
        return _numbers(columns, name, rows)

    def first(*choices: np.ndarray) -> np.ndarray:
        filled = np.full(count, np.nan)
        for choice in choices:
            filled = np.where(np.isnan(filled), choice, filled)
        return filled

    parts = np.maximum(first(column("parts"), np.ones(count)), 1)
    layer = first(column("layer_mm"), machine["layer_mm"])
    from_mass = first(column("material_g") / material["density_g_cm3"], column("material_ml"))
    volume_cm3 = first(column("part_volume_cm3"), from_mass, machine["typical_part_cm3"] * parts)
    each_cm = np.cbrt(volume_cm3 / parts)
    area_cm2 = first(column("part_area_cm2"), SURFACE_SHAPE * each_cm**2 * parts)
    height = first(column("height_mm"), column("layers") * layer, machine["typical_height_mm"] + np.zeros(count))
    contact = first(column("support_contact_cm2"), (0.0 if process == "PBF" else CONTACT_SHARE) * area_cm2)
    support = first(column("support_volume_cm3"), contact * 0.4)
    sizes = np.array([size for _, _, size in machines], float).reshape(count, 3)
    cake = first(column("packed_volume_cm3"), sizes[:, 0] * sizes[:, 1] * (height + 8.0) / 1000)
    profile = list(np.asarray(columns["profile"], object)[rows]) if "profile" in columns else [None] * count
    basis = np.select(
        [
            np.array([one is not None for one in profile]),
            ~np.isnan(column("part_volume_cm3")) & ~np.isnan(column("height_mm")),
            ~np.isnan(column("announced_min")),
            ~np.isnan(from_mass),
        ],
        ["profile", "volume", "announced", "mass_layers"],
        "count",
    )
    difficulty = np.asarray(columns.get("difficulty", np.full(len(columns["process"]), "")), object)[rows]
    return Builds(
        process, parts, volume_cm3 * 1000, area_cm2 * 100, support * 1000, contact, height, cake,
        column("announced_min"), layer, difficulty, basis, np.array([kind for kind, _, _ in machines], object),
        machine, material, [floors for _, floors in materials], sizes, profile,
    )  # fmt: skip


def _numbers(columns: Mapping[str, np.ndarray], name: str, rows: np.ndarray) -> np.ndarray:
    if name not in columns:
        return np.full(len(rows), np.nan)
    values = np.asarray(columns[name])[rows]
    if values.dtype == object:
        values = np.array([np.nan if value is None or value == "" else value for value in values])
    return values.astype(float)


def _texts(columns: Mapping[str, np.ndarray], name: str, rows: np.ndarray) -> list[str]:
    if name not in columns:
        return [""] * len(rows)
    return [value if isinstance(value, str) else "" for value in np.asarray(columns[name], object)[rows]]


def _machines(columns: Mapping[str, np.ndarray], shop: Shop, process: str, rows: np.ndarray) -> list[tuple]:
    """Kind, parameters and size for each row; a machine that the shop lacks has its process's defaults."""
    kind = KINDS[process][0]
    unknown: tuple[str, dict[str, float], Any] = (kind, machine_defaults(kind), (200.0, 200.0, 250.0))
    known = {
        name: (one.kind, one.params, one.build_mm) for name, one in shop.machines.items() if one.process == process
    }
    return [known.get(name, unknown) for name in _texts(columns, "machine", rows)]


def _materials(
    columns: Mapping[str, np.ndarray], shop: Shop, process: str, rows: np.ndarray, machines: list[tuple]
) -> list[tuple]:
    unknown: tuple[dict[str, float], dict[str, float | None]] = (material_defaults(process), {})
    known = {name: (one.params, one.floors) for name, one in shop.materials.items() if one.process == process}
    return [known.get(name, unknown) for name in _texts(columns, "material", rows)]


def _parameters(entries: list[dict[str, float]]) -> dict[str, np.ndarray]:
    """Name -> one value for each row; a parameter that a row's kind does not have is 0."""
    names = sorted({name for entry in {id(entry): entry for entry in entries}.values() for name in entry})
    codes: dict[int, int] = {}
    unique: list[dict[str, float]] = []
    index = np.empty(len(entries), int)
    for place, entry in enumerate(entries):
        if id(entry) not in codes:
            codes[id(entry)] = len(unique)
            unique.append(entry)
        index[place] = codes[id(entry)]
    return {name: np.array([entry.get(name, 0.0) for entry in unique], float)[index] for name in names}
