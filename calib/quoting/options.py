"""Which machines can make the part, in which pose, how many at once; and why the others cannot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import lru_cache
from math import ceil
from typing import Any

import numpy as np

from calib.geometry.layer_profile import layer_profile
from calib.geometry.mesh import Mesh
from calib.geometry.nesting import copies_in_cake, copies_on_plate
from calib.geometry.orientation import Pose, best_pose
from calib.geometry.supports import find_supports
from calib.quoting.request import QuoteRequest
from calib.records import LayerProfile
from calib.shop.model import Machine, Material, Shop

OVERHANG_DEG = 45.0


@dataclass(frozen=True, eq=False)
class Shape:
    """A part in one pose, as one process sees it.

    size_mm : extent in the build [mm]; volume_cm3, area_cm2 : of one part
    support_cm3, contact_cm2 : of one part
    """

    pose: Pose
    size_mm: tuple[float, float, float]
    volume_cm3: float
    area_cm2: float
    support_cm3: float
    contact_cm2: float
    profile: LayerProfile


@dataclass(frozen=True, eq=False)
class Option:
    """One machine, or several that share the work, with one material.

    machines : ids; several where builds are shared among them
    capacity : parts that one build holds at most
    builds : parts of each build, in order, and the machine it is meant for
    rides : goes along in the build that the shop closes on its days; else a build of its own
    """

    machines: tuple[str, ...]
    process: str
    material: str
    shape: Shape
    capacity: int
    builds: tuple[tuple[int, str], ...]
    rides: bool = False

    @property
    def name(self) -> str:
        return "+".join(self.machines)


@dataclass
class Found:
    """Options of one machine and of several that share the builds, and what is out with the reason in one clause."""

    options: list[Option] = field(default_factory=list)
    shared: list[Option] = field(default_factory=list)
    out: list[dict[str, str]] = field(default_factory=list)


class ShapeFinder:
    """Poses, supports and layer profiles of one mesh, each computed once."""

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        self._shapes: dict[tuple[Any, ...], Shape | None] = {}

    def shape(self, machine: Machine) -> Shape | None:
        """The part as it lies in this machine; None when no pose fits."""
        overhang = float(machine.params.get("overhang_deg", OVERHANG_DEG))
        layer = float(machine.params["layer_mm"])
        key = (machine.process, machine.build_mm, overhang, layer)
        if key not in self._shapes:
            pose = best_pose(self.mesh, machine.process, machine.build_mm, overhang)
            self._shapes[key] = None if pose is None else self._shape(pose, machine.process, overhang, layer)
        return self._shapes[key]

    def _shape(self, pose: Pose, process: str, overhang: float, layer: float) -> Shape:
        triangles = pose.triangles()
        supports = None if process == "PBF" else find_supports(triangles, overhang)
        x, y, z = (float(side) for side in pose.size_mm)
        return Shape(
            pose=pose,
            size_mm=(x, y, z),
            volume_cm3=self.mesh.volume_mm3 / 1000.0,
            area_cm2=self.mesh.area_mm2 / 100.0,
            support_cm3=supports.volume_cm3 if supports else 0.0,
            contact_cm2=supports.contact_cm2 if supports else 0.0,
            profile=layer_profile(triangles, layer, mates=self.mesh.mates),
        )


def find_options(request: QuoteRequest, shop: Shop, shapes: ShapeFinder) -> Found:
    """Every machine alone, and machines of one process that share the builds; the others with their reason."""
    found = Found()
    singles: dict[tuple[str, int], list[Option]] = {}
    for machine in shop.machines.values():
        result = _option_or_reason(machine, request, shop, shapes)
        if isinstance(result, str):
            found.out.append({"process": machine.process, "machine": machine.id, "reason": result})
        elif result is not None:
            found.options.append(result)
            if machine.closes and not request.alone:
                found.options.append(replace(result, rides=True))
            singles.setdefault((result.material, id(result.shape)), []).append(result)
    for able in singles.values():
        found.shared.extend(shared_options(able, request.quantity))
    return found


def shared_options(able: list[Option], quantity: int) -> Iterator[Option]:
    """The first two, three ... machines of the shop file together: a machine more at its end takes no plan away."""
    for count in range(2, len(able) + 1):
        team = able[:count]
        if quantity < count:
            return
        yield Option(
            machines=tuple(option.machines[0] for option in team),
            process=team[0].process,
            material=team[0].material,
            shape=team[0].shape,
            capacity=min(option.capacity for option in team),
            builds=share_builds(quantity, [(option.machines[0], option.capacity) for option in team]),
        )


def share_builds(quantity: int, machines: list[tuple[str, int]]) -> tuple[tuple[int, str], ...]:
    """Parts of each build, machines in turn; where one round is enough, the parts are spread evenly over them.

    A greater quantity has the same builds or larger ones, and more of them: so it is never done sooner.

    >>> share_builds(30, [("a", 12)])
    ((12, 'a'), (12, 'a'), (6, 'a'))
    >>> share_builds(13, [("a", 12), ("b", 12)])
    ((7, 'a'), (6, 'b'))
    """
    left, builds = quantity, []
    even = ceil(quantity / len(machines))
    while left > 0:
        for machine, capacity in machines:
            parts = min(left, capacity, max(even, 1))
            if parts > 0:
                builds.append((parts, machine))
                left -= parts
    return tuple(builds)


def _option_or_reason(machine: Machine, request: QuoteRequest, shop: Shop, shapes: ShapeFinder) -> Option | str | None:
    if request.processes and machine.process not in request.processes:
        return None
    if request.machines and machine.id not in request.machines:
        return None
    material = _material(machine, request, shop)
    if isinstance(material, str):
        return material
    if not np.isfinite(shapes.mesh.volume_mm3):
        return "the mesh is open: its volume has no meaning; close it and ask again"
    least = float(machine.params.get("least_wall_mm", 0.0))
    if request.least_wall_mm is not None and request.least_wall_mm < least:
        return f"the thinnest wall is {request.least_wall_mm:g} mm, it needs {least:g} mm"
    shape = shapes.shape(machine)
    if shape is None:
        return f"too large: {_size(np.ptp(shapes.mesh.bounds_mm, axis=0))} in no pose inside {_size(machine.build_mm)}"
    capacity = build_capacity(machine, shape)
    if capacity < 1:
        return f"too large with its gap and margin: {_size(shape.size_mm)} inside {_size(machine.build_mm)}"
    builds = share_builds(request.quantity, [(machine.id, capacity)])
    return Option((machine.id,), machine.process, material.id, shape, capacity, builds)


def build_capacity(machine: Machine, shape: Shape) -> int:
    """Copies that one build holds."""
    params = machine.params
    if machine.process != "PBF":
        return side_by_side(shape.size_mm, machine.build_mm, params["gap_mm"], params["margin_mm"])
    size, volume = shape.size_mm, shape.volume_cm3 * 1000.0
    return _in_cake(size, volume, machine.build_mm, params["gap_mm"], params["wall_mm"], params["packing_limit"])


Size = tuple[float, float, float]


@lru_cache(maxsize=4096)
def side_by_side(size_mm: Size, build_mm: Size, gap_mm: float, margin_mm: float) -> int:
    """Copies beside each other on a plate, or in one layer of a cake; remembered."""
    return copies_on_plate(size_mm, build_mm, gap_mm, margin_mm)


@lru_cache(maxsize=4096)
def _in_cake(size: Size, volume_mm3: float, build: Size, gap: float, wall: float, limit: float) -> int:
    return copies_in_cake(size, volume_mm3, build, gap, wall, limit)


def _material(machine: Machine, request: QuoteRequest, shop: Shop) -> Material | str:
    """The first of the machine's materials that is wanted and meets the needs, or why there is none."""
    known = [shop.materials[name] for name in machine.materials if name in shop.materials]
    if not known:
        return "the shop file gives it no material"
    wanted = [material for material in known if not request.materials or material.id in request.materials]
    if not wanted:
        return f"it does not run {' or '.join(request.materials)}"
    reasons = []
    for material in wanted:
        missing = [need for need in request.needs if material.fit_for is not None and need not in material.fit_for]
        if not missing:
            return material
        reasons.append(f"{material.id} is not stated as {', '.join(missing)}")
    return "; ".join(reasons)


def _size(size: Any) -> str:
    return " x ".join(f"{side:.0f}" for side in size) + " mm"
