"""What build rows allow: the best basis of each, and every quantity that the physics needs, filled in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
        """What each build's baseline of a stage is based on, shape (n,): printing on the machine's own path, where known."""
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
    r = _Rows(columns, shop, kind, rows)
    support, contact = r.supports()
    height, cake = r.height_and_cake(contact)
    thick = _first(_positive(r.column("support_thickness_mm")), 10.0 * np.cbrt(support / r.parts))
    return Builds(
        process=r.process,
        kind=kind,
        parts=r.parts,
        volume_cm3=r.volume_cm3,
        area_cm2=r.area_cm2,
        support_cm3=support,
        support_thick_mm=thick,
        contact_cm2=contact,
        hollows={name: np.nan_to_num(r.column(name)) for name in HOLLOWS},
        height_mm=height,
        cake_cm3=cake,
        cake_known=_cake_known(columns, shop, kind, rows, r.height_mm),
        layer_mm=r.machine["layer_mm"],
        announced_min=_positive(r.column("announced_min")),
        path_min=_positive(r.column("path_min")),
        exposure_s=_positive(r.column("exposure_s")),
        difficulty=texts(columns, "difficulty", rows),
        basis=r.basis(),
        bed_mm=r.size_mm[:, :2],
        changes=_changes(columns, rows, r.machine),
        machine=r.machine,
        material=r.material,
        floors=r.floors,
        profile=r.profile,
    )


class _Rows:
    """Rows of one kind of machine and what they state, NaN where they do not; arrays of shape (n,).

    stated_cm3 : volume of the parts; laid_cm3 : of all that was weighed or measured out, supports with it
    volume_cm3, area_cm2 : of the parts, filled in where not stated
    height_mm : of the build
    """

    def __init__(self, columns: Columns, shop: Shop, kind: str, rows: np.ndarray) -> None:
        self.columns, self.kind, self.rows = columns, kind, rows
        self.process = next(code for code, kinds in KINDS.items() if kind in kinds)
        self.machine, self.size_mm = _machine_params(columns, shop, kind, rows)
        self.material, self.floors = _material_params(columns, shop, self.process, rows)
        self._take_settings()
        self.parts = np.maximum(_first(self.column("parts"), np.ones(len(rows))), 1.0)
        self.profile = _profiles(columns, rows)
        self.stated_cm3 = _positive(self.column("part_volume_cm3"))
        weighed = _positive(self.column("material_g")) / self.material["density_g_cm3"]
        self.laid_cm3 = _first(weighed, _positive(self.column("material_ml")))
        self.volume_cm3 = self._volume()
        surface = SURFACE_SHAPE * np.cbrt(self.volume_cm3 / self.parts) ** 2 * self.parts
        self.area_cm2 = _first(_positive(self.column("part_area_cm2")), surface)
        stated = _first(_positive(self.column("height_mm")), _positive(self.column("plate_height_mm")))
        self.height_mm = _first(stated, _positive(self.column("layers")) * self.machine["layer_mm"])

    def column(self, name: str) -> np.ndarray:
        return numbers(self.columns, name, self.rows)

    def _take_settings(self) -> None:
        """What rows say that was set. Another nozzle or layer keeps the thickness of walls and skins: their number changes."""
        machine, usual_layer = self.machine, self.machine["layer_mm"]
        machine.replace("layer_mm", _positive(self.column("layer_mm")))
        if self.kind == "laser_bed":
            self.material.replace("fresh_share", self.column("fresh_share"))
        if self.kind != "extruder":
            return
        usual_nozzle = machine["nozzle_mm"]
        machine.replace("nozzle_mm", _positive(self.column("nozzle_mm")))
        machine.replace("walls", machine["walls"] * usual_nozzle / machine["nozzle_mm"])
        machine.replace("skin_layers", machine["skin_layers"] * usual_layer / machine["layer_mm"])
        infill = self.column("infill")
        machine.replace("infill_share", np.clip(np.where(infill > 1.0, infill / 100.0, infill), 0.0, 1.0))

    def _volume(self) -> np.ndarray:
        """Of the parts, filled in [cm3]. What was weighed was laid: it is no solid to be filled in part."""
        of_profile = _of_profiles(self.profile, lambda p: float(p.area_mm2.sum() * p.layer_mm / 1000.0)) * self.parts
        if self.kind == "extruder":
            is_weighed = np.isnan(self.stated_cm3) & np.isnan(of_profile) & ~np.isnan(self.laid_cm3)
            self.machine.replace("infill_share", np.where(is_weighed, 1.0, np.nan))
        density = self.machine["support_density_share"] if self.kind != "laser_bed" else 1.0
        without_supports = self.laid_cm3 / (1.0 + SUPPORT_SHARE[self.process] * density)
        return _first(self.stated_cm3, of_profile, without_supports, self.machine["typical_part_cm3"] * self.parts)

    def supports(self) -> tuple[np.ndarray, np.ndarray]:
        """Volume of the supports [cm3] and their contact [cm2], filled in; one that is none makes the other none."""
        volume, contact = self.column("support_volume_cm3"), self.column("support_contact_cm2")
        contact = _first(contact, np.where(volume == 0.0, 0.0, CONTACT_SHARE[self.process] * self.area_cm2))
        usual = np.where(contact == 0.0, 0.0, SUPPORT_SHARE[self.process] * self.volume_cm3)
        return _first(volume, usual), contact

    def height_and_cake(self, contact_cm2: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Height of the build [mm] and volume of the powder cake [cm3], filled in."""
        m, tall = self.machine, _of_profiles(self.profile, lambda p: float(len(p.z_mm) * p.layer_mm))
        part_mm = np.cbrt(1000.0 * self.volume_cm3 / self.parts)
        if self.kind != "laser_bed":
            raft = np.where(contact_cm2 > 0, m["raft_mm"], 0.0) if self.kind != "extruder" else 0.0
            usual = np.maximum(m["typical_height_mm"], 0.5 * part_mm)
            return _first(self.height_mm, tall + raft, usual), np.zeros(len(self.rows))
        bed_mm2, blank = self.size_mm[:, 0] * self.size_mm[:, 1], m["blank_first_mm"] + m["blank_last_mm"]
        packed = _positive(self.column("packed_volume_cm3"))
        from_cake = np.maximum(packed * 1000.0 / bed_mm2 - blank, 1.0)
        packed_usually = 1000.0 * self.volume_cm3 / (m["packing_usual"] * bed_mm2)
        usual = np.clip(packed_usually, part_mm * 1.3, np.maximum(self.size_mm[:, 2], 10.0))
        height = _first(self.height_mm, from_cake, np.maximum(tall, packed_usually), usual)
        return height, _first(packed, bed_mm2 * (height + blank) / 1000.0)

    def basis(self) -> np.ndarray:
        """The best of BASES that each row allows."""
        has_height = ~np.isnan(self.height_mm)
        has_volume = ~np.isnan(self.stated_cm3) & (has_height | (self.kind == "extruder"))
        has_some = ~np.isnan(self.laid_cm3) | has_height | ~np.isnan(self.stated_cm3)
        is_announced = ~np.isnan(_positive(self.column("announced_min")))
        known = [self.profile != None, has_volume, is_announced, has_some]  # noqa: E711 arrays
        best: np.ndarray = np.array(BASES[1:], object)[np.select(known, range(4), 4)]
        return best


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
