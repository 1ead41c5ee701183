"""What build rows allow: the best basis of each, and every quantity that the physics needs, filled in."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from calib.records import BASES
from calib.shop.keys import FLOOR_KEYS, KINDS, machine_defaults, material_defaults
from calib.shop.model import Machine, Material, Shop

Columns = Mapping[str, np.ndarray]

# Where a row does not say: common practice, no source.
SURFACE_SHAPE = 8.0  # surface over volume^(2/3): 6 for a cube, more for thin walls
SUPPORT_SHARE = {"MEX": 0.08, "VPP": 0.12, "PBF": 0.0}  # support volume over part volume
CONTACT_SHARE = {"MEX": 0.03, "VPP": 0.02, "PBF": 0.0}  # support contact over part surface
HOLLOWS = (
    "hollow_volume_cm3", "hollow_opening_mm", "drain_volume_cm3", "drain_opening_mm", "drain_opening_mm2", "held_volume_cm3",
    "narrow_volume_cm3",
)  # fmt: skip
USUAL_BUILD_MM = {"extruder": (220.0, 220.0, 250.0), "masked": (190.0, 120.0, 200.0), "scanned": (200.0, 200.0, 250.0),
                  "laser_bed": (165.0, 165.0, 300.0)}  # fmt: skip


class Params:
    """Parameters of many builds: one table of few machines or materials, and which of them each build has.

    ``params["layer_mm"]`` is an array of one value for each build; ``replace`` sets a parameter for each build.
    """

    def __init__(self, tables: Sequence[Mapping[str, float]], codes: np.ndarray) -> None:
        self.tables, self.codes = tables, codes
        self._own: dict[str, np.ndarray] = {}

    def __getitem__(self, name: str) -> np.ndarray:
        if name in self._own:
            return self._own[name]
        of_each: np.ndarray = np.array([table[name] for table in self.tables], float)[self.codes]
        return of_each

    def replace(self, name: str, values: np.ndarray) -> None:
        """Values, shape (n,), that the rows state themselves, NaN where they do not; in the unit of the name."""
        self._own[name] = np.where(np.isnan(values), self[name], values)

    def of(self, build: int) -> Params:
        """The parameters of one build."""
        own = Params(self.tables, self.codes[[build]])
        own._own = {name: values[[build]] for name, values in self._own.items()}
        return own


@dataclass(frozen=True, eq=False)
class Builds:
    """Builds of one kind of machine as arrays of one length n; volumes, areas and supports are of all parts together.

    hollows : HOLLOWS -> shape (n,), 0 where there are none or nothing is known
    bed_mm : shape (n, 2), the machine's bed
    floors : name -> shape (n,), the data sheet's limits, NaN where unknown
    cake_known : shape (n,), whether the size of the powder cake is known: the machine, and the height or the volume
    changes : shape (n,), 1 another material than the machine's last, 0 the same; a share where not known
    profile : shape (n,), LayerProfile of one part, or None
    """

    process: str
    kind: str
    parts: np.ndarray
    volume_cm3: np.ndarray
    area_cm2: np.ndarray
    support_cm3: np.ndarray
    support_thick_mm: np.ndarray
    contact_cm2: np.ndarray
    hollows: dict[str, np.ndarray]
    height_mm: np.ndarray
    cake_cm3: np.ndarray
    cake_known: np.ndarray
    layer_mm: np.ndarray
    announced_min: np.ndarray
    path_min: np.ndarray
    exposure_s: np.ndarray
    difficulty: np.ndarray
    basis: np.ndarray
    bed_mm: np.ndarray
    changes: np.ndarray
    machine: Params
    material: Params
    floors: dict[str, np.ndarray]
    profile: np.ndarray

    def __len__(self) -> int:
        return len(self.parts)

    def basis_of(self, stage: str) -> np.ndarray:
        """What each build's baseline of a stage stands on, shape (n,): printing on the machine's own path, where known."""
        known = ~np.isnan(self.path_min) & (stage == "printing")
        return np.where(known, BASES[0], self.basis)


def machine_kinds(columns: Columns, shop: Shop) -> np.ndarray:
    """Kind of each build's machine, shape (n,); a machine that the shop lacks has its process's first kind."""
    process = np.asarray(columns["process"], object)
    kinds = np.empty(len(process), object)
    for code, rows in _groups(process).items():
        kinds[rows] = KINDS[code][0]
        for name, own in _groups(texts(columns, "machine", rows)).items():
            machine = shop.machines.get(name)
            if machine is not None and machine.process == code:
                kinds[rows[own]] = machine.kind
    return kinds


def read_builds(columns: Columns, shop: Shop, kind: str, rows: np.ndarray) -> Builds:
    """The rows of one kind of machine, each quantity from the best that its row has.

    columns : as for ``build.build_minutes``; rows : shape (n,), which of them
    A missing column, NaN, None and '' all mean 'not known'.
    """
    process = next(code for code, kinds in KINDS.items() if kind in kinds)

    def column(name: str) -> np.ndarray:
        return numbers(columns, name, rows)

    machine, size = _machine_params(columns, shop, kind, rows)
    material, floors = _material_params(columns, shop, process, rows)
    _as_set(machine, kind, column)
    if kind == "laser_bed":
        material.replace("fresh_share", column("fresh_share"))
    parts = np.maximum(_first(column("parts"), np.ones(len(rows))), 1.0)
    profile = _profiles(columns, rows)
    layer = machine["layer_mm"]
    mass = _first(_positive(column("material_g")) / material["density_g_cm3"], _positive(column("material_ml")))
    supports = 1.0 + SUPPORT_SHARE[process] * (machine["support_density_share"] if kind != "laser_bed" else 1.0)
    of_profile = _of_profiles(profile, lambda p: float(p.area_mm2.sum() * p.layer_mm / 1000.0)) * parts
    stated = _positive(column("part_volume_cm3"))
    if kind == "extruder":  # what was weighed was laid: it is no solid to be filled in part
        machine.replace(
            "infill_share", np.where(np.isnan(stated) & np.isnan(of_profile) & ~np.isnan(mass), 1.0, np.nan)
        )
    volume = _first(stated, of_profile, mass / supports, machine["typical_part_cm3"] * parts)
    area = _first(_positive(column("part_area_cm2")), SURFACE_SHAPE * np.cbrt(volume / parts) ** 2 * parts)
    height = _first(_positive(column("height_mm")), _positive(column("plate_height_mm")))
    known_height = _first(height, _positive(column("layers")) * layer)
    contact = _first(
        column("support_contact_cm2"), np.where(column("support_volume_cm3") == 0.0, 0.0, CONTACT_SHARE[process] * area)
    )
    support = _first(column("support_volume_cm3"), np.where(contact == 0.0, 0.0, SUPPORT_SHARE[process] * volume))
    bed = size[:, 0] * size[:, 1]
    height, cake = _height_and_cake(
        known_height, column("packed_volume_cm3"), profile, volume, parts, machine, bed, contact, kind, size
    )
    has_volume = ~np.isnan(stated) & (~np.isnan(known_height) | (kind == "extruder"))
    some_known = ~np.isnan(mass) | ~np.isnan(known_height) | ~np.isnan(stated)
    known = [profile != None, has_volume, ~np.isnan(_positive(column("announced_min"))), some_known]  # noqa: E711 arrays
    return Builds(
        process=process,
        kind=kind,
        parts=parts,
        volume_cm3=volume,
        area_cm2=area,
        support_cm3=support,
        support_thick_mm=_first(_positive(column("support_thickness_mm")), 10.0 * np.cbrt(support / parts)),
        contact_cm2=contact,
        hollows={name: np.nan_to_num(column(name)) for name in HOLLOWS},
        height_mm=height,
        cake_cm3=cake,
        cake_known=_cake_known(columns, shop, kind, rows, known_height),
        layer_mm=layer,
        announced_min=_positive(column("announced_min")),
        path_min=_positive(column("path_min")),
        exposure_s=_positive(column("exposure_s")),
        difficulty=texts(columns, "difficulty", rows),
        basis=np.array(BASES[1:], object)[np.select(known, range(4), 4)],
        bed_mm=size[:, :2],
        changes=_changes(columns, rows, machine),
        machine=machine,
        material=material,
        floors=floors,
        profile=profile,
    )


def _as_set(machine: Params, kind: str, column: Callable[[str], np.ndarray]) -> None:
    """What rows say that was set. Another nozzle or layer keeps the thickness of walls and skins: their number changes."""
    usual_layer = machine["layer_mm"]
    machine.replace("layer_mm", _positive(column("layer_mm")))
    if kind != "extruder":
        return
    usual_nozzle = machine["nozzle_mm"]
    machine.replace("nozzle_mm", _positive(column("nozzle_mm")))
    machine.replace("walls", machine["walls"] * usual_nozzle / machine["nozzle_mm"])
    machine.replace("skin_layers", machine["skin_layers"] * usual_layer / machine["layer_mm"])
    infill = column("infill")
    machine.replace("infill_share", np.clip(np.where(infill > 1.0, infill / 100.0, infill), 0.0, 1.0))


def _height_and_cake(
    known: np.ndarray, packed: np.ndarray, profile: np.ndarray, volume: np.ndarray, parts: np.ndarray, machine: Params,
    bed_mm2: np.ndarray, contact: np.ndarray, kind: str, size: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Height of the build [mm] and volume of the powder cake [cm3]."""
    tall = _of_profiles(profile, lambda p: float(len(p.z_mm) * p.layer_mm))
    if kind != "laser_bed":
        raft = np.where(contact > 0, machine["raft_mm"], 0.0) if kind != "extruder" else 0.0
        usual = np.maximum(machine["typical_height_mm"], 0.5 * np.cbrt(1000.0 * volume / parts))
        return _first(known, tall + raft, usual), np.zeros(len(volume))
    blank = machine["blank_first_mm"] + machine["blank_last_mm"]
    from_cake = np.maximum(_positive(packed) * 1000.0 / bed_mm2 - blank, 1.0)
    packed_usually = 1000.0 * volume / (machine["packing_usual"] * bed_mm2)
    usual = np.clip(packed_usually, np.cbrt(1000.0 * volume / parts) * 1.3, np.maximum(size[:, 2], 10.0))
    height = _first(known, from_cake, np.maximum(tall, packed_usually), usual)
    return height, _first(_positive(packed), bed_mm2 * (height + blank) / 1000.0)


def _cake_known(columns: Columns, shop: Shop, kind: str, rows: np.ndarray, height: np.ndarray) -> np.ndarray:
    own = {name for name, machine in shop.machines.items() if machine.kind == kind}
    on_own = np.array([name in own for name in texts(columns, "machine", rows)], bool)
    known: np.ndarray = on_own & (~np.isnan(height) | (numbers(columns, "packed_volume_cm3", rows) > 0))
    return known


def _changes(columns: Columns, rows: np.ndarray, machine: Params) -> np.ndarray:
    """Whether the material is another than the machine's last (``last_material``, where a row has it)."""
    last, now = texts(columns, "last_material", rows), texts(columns, "material", rows)
    return np.where(last == "", machine["change_share"], (last != now).astype(float))


def _machine_params(columns: Columns, shop: Shop, kind: str, rows: np.ndarray) -> tuple[Params, np.ndarray]:
    """Parameters and build size (n, 3) of each row's machine, as they were on the row's day (``at``, where known)."""
    tables: list[Mapping[str, float]] = []
    sizes: list[tuple[float, float, float]] = []
    codes = np.empty(len(rows), int)
    for name, own in _groups(texts(columns, "machine", rows)).items():
        machine = shop.machines.get(name)
        if machine is None or machine.kind != kind:
            codes[own] = len(tables)
            tables.append(machine_defaults(kind))
            sizes.append(USUAL_BUILD_MM[kind])
            continue
        versions = _versions(machine)
        codes[own] = len(tables) + _version_on(machine, columns, rows[own])
        tables += versions
        sizes += [machine.build_mm] * len(versions)
    return Params(tables, codes), np.array(sizes, float).reshape(-1, 3)[codes]


def _versions(machine: Machine) -> list[Mapping[str, float]]:
    """Parameters before the first change, and after each."""
    versions: list[Mapping[str, float]] = [machine.params]
    for _, change in machine.dated:
        versions.append({**versions[-1], **change})
    return versions


def _version_on(machine: Machine, columns: Columns, rows: np.ndarray) -> np.ndarray:
    newest = len(machine.dated)
    if "at" not in columns or not newest:
        return np.full(len(rows), newest)
    days = np.array([_day(value) for value in np.asarray(columns["at"])[rows]], "datetime64[D]")
    since = np.array([day for day, _ in machine.dated], "datetime64[D]")
    return np.where(np.isnat(days), newest, np.searchsorted(since, days, side="right"))


def _day(value: Any) -> np.datetime64:
    """Day of a date, a stamp or a text; a missing stamp differs from itself."""
    if isinstance(value, str) and value:
        return np.datetime64(value[:10], "D")
    if isinstance(value, date) and value == value:
        return np.datetime64(value.isoformat()[:10], "D")
    if isinstance(value, np.datetime64):
        day: np.datetime64 = value.astype("datetime64[D]")
        return day
    return np.datetime64("NaT", "D")


def _material_params(
    columns: Columns, shop: Shop, process: str, rows: np.ndarray
) -> tuple[Params, dict[str, np.ndarray]]:
    """Parameters and floors of each row's material; where it is not named, of the machine's first."""
    named, machines = texts(columns, "material", rows), texts(columns, "machine", rows)
    tables: list[Mapping[str, float]] = []
    floors: list[Mapping[str, float | None]] = []
    codes = np.empty(len(rows), int)
    for name, own in _groups(named).items():
        of_machine = _groups(machines[own]) if name == "" else {"": np.arange(len(own))}
        for machine, mine in of_machine.items():
            material = _material(shop, process, name or _first_material(shop, machine))
            codes[own[mine]] = len(tables)
            tables.append(material.params if material else material_defaults(process))
            floors.append(material.floors if material else {})
    limits = {
        key: np.array([np.nan if table.get(key) is None else table[key] for table in floors], float)[codes]
        for key in FLOOR_KEYS
    }
    return Params(tables, codes), limits


def _material(shop: Shop, process: str, name: str) -> Material | None:
    material = shop.materials.get(name)
    return material if material is not None and material.process == process else None


def _first_material(shop: Shop, machine: str) -> str:
    known = shop.machines.get(machine)
    return known.materials[0] if known and known.materials else ""


def numbers(columns: Columns, name: str, rows: np.ndarray) -> np.ndarray:
    """Rows of a column as numbers, NaN where nothing is known; shape of ``rows``, in the unit of the column."""
    if name not in columns:
        return np.full(len(rows), np.nan)
    values = np.asarray(columns[name])[rows]
    if values.dtype == object:
        values = np.array([np.nan if value is None or value == "" else value for value in values], float)
    as_numbers: np.ndarray = values.astype(float)
    return as_numbers


def texts(columns: Columns, name: str, rows: np.ndarray) -> np.ndarray:
    """Rows of a column as texts, '' where nothing is known; shape of ``rows``."""
    known = np.empty(len(rows), object)
    known[:] = ""
    if name in columns:
        values = np.asarray(columns[name], object)[rows]
        is_text = np.array([isinstance(value, str) for value in values], bool)
        known[is_text] = values[is_text]
    return known


def _groups(values: np.ndarray) -> dict[str, np.ndarray]:
    """Value -> places where it stands."""
    names: dict[str, int] = {}
    codes = np.array([names.setdefault(value, len(names)) for value in values], int)
    order = np.argsort(codes, kind="stable")
    pieces = np.split(order, np.cumsum(np.bincount(codes, minlength=len(names)))[:-1]) if names else []
    return dict(zip(names, pieces, strict=True))


def _profiles(columns: Columns, rows: np.ndarray) -> np.ndarray:
    profiles = np.empty(len(rows), object)
    if "profile" in columns:
        profiles[:] = np.asarray(columns["profile"], object)[rows]
        for place, profile in enumerate(profiles):
            if profile is not None and (isinstance(profile, float | str) or len(profile.z_mm) == 0):
                profiles[place] = None
    return profiles


def _of_profiles(profile: np.ndarray, measure: Any) -> np.ndarray:
    values: dict[int, float] = {}
    result = np.full(len(profile), np.nan)
    for place in np.flatnonzero(profile != None):  # noqa: E711 arrays
        layer_profile = profile[place]
        if id(layer_profile) not in values:
            values[id(layer_profile)] = measure(layer_profile)
        result[place] = values[id(layer_profile)]
    return result


def _positive(values: np.ndarray) -> np.ndarray:
    return np.where(values > 0, values, np.nan)


def _first(*choices: np.ndarray) -> np.ndarray:
    """For each row the first choice that is known."""
    filled = np.asarray(choices[0], float)
    for choice in choices[1:]:
        filled = np.where(np.isnan(filled), choice, filled)
    return filled
