"""Parts into builds: how many copies one holds, how high it gets, who takes which build, different parts side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain, zip_longest
from math import ceil
from typing import Protocol

from calib.geometry.nesting import cakes_for, copies_in_cake, copies_on_plate, plates_for
from calib.shop.model import Machine

Size = tuple[float, float, float]
Contents = tuple[tuple[int, int], ...]


class Posed(Protocol):
    """What nesting takes from a part in its pose; rafted: a raft carries it."""

    @property
    def size_mm(self) -> Size: ...

    @property
    def volume_cm3(self) -> float: ...

    @property
    def rafted(self) -> bool: ...


@dataclass(frozen=True)
class Build:
    """What one build is meant to hold.

    machine : its id
    contents : number of each part of the order, as (place in the order, copies)
    """

    machine: str
    contents: Contents

    @property
    def parts(self) -> int:
        return sum(copies for _, copies in self.contents)


@dataclass(frozen=True)
class Nest:
    """One nested build.

    height_mm : of the parts in it with what carries them, without blank powder [mm]
    cake_cm3 : powder and parts, with what lies blank below and above; 0 without powder [cm3]
    fill_share : of the room inside margins or walls up to that height, what parts fill [0..1]
    """

    height_mm: float
    cake_cm3: float
    fill_share: float


def nested(machine: Machine, contents: Sequence[tuple[Posed, int]]) -> Nest:
    """So many copies of each part as one build: side by side on a plate, or in layers of a cake."""
    x, y, z = room_mm(machine)
    volume = 1000.0 * sum(copies * part.volume_cm3 for part, copies in contents)
    if machine.process != "PBF":
        height = max(part.size_mm[2] + raft_mm(machine, part) for part, _ in contents)
        return Nest(height, 0.0, volume / (x * y * height))
    p = machine.params
    stacked = sum(_layers(machine, part, copies) * (part.size_mm[2] + p["gap_mm"]) for part, copies in contents)
    height = float(min(max(stacked - p["gap_mm"], volume / (p["cake_fill_limit"] * x * y)), z))
    whole = height + p["blank_first_mm"] + p["blank_last_mm"]
    return Nest(height, machine.build_mm[0] * machine.build_mm[1] * whole / 1000.0, volume / (x * y * height))


def build_capacity(machine: Machine, part: Posed) -> int:
    """Copies of one part, in this pose, that a build holds: as many as ``nested`` finds room for."""
    p, (x, y, z) = machine.params, part.size_mm
    if machine.process == "PBF":
        return _in_cake(
            (x, y, z), 1000 * part.volume_cm3, machine.build_mm, p["gap_mm"], p["wall_mm"], p["cake_fill_limit"]
        )
    return _side_by_side((x, y, z + raft_mm(machine, part)), machine.build_mm, p["gap_mm"], p["margin_mm"])


def raft_mm(machine: Machine, part: Posed) -> float:
    """What lies between the plate and a part [mm]."""
    return machine.params.get("raft_mm", 0.0) if part.rafted else 0.0


def room_mm(machine: Machine) -> Size:
    """x, y, z of the build inside its margins, or inside its walls of powder [mm]."""
    x, y, z = machine.build_mm
    if machine.process == "PBF":
        wall = 2 * machine.params["wall_mm"]
        return x - wall, y - wall, z - wall
    margin = 2 * machine.params["margin_mm"]
    return x - margin, y - margin, z


def _layers(machine: Machine, part: Posed, copies: int) -> int:
    p = machine.params
    beside = _side_by_side(part.size_mm, machine.build_mm, p["gap_mm"], p["wall_mm"])
    return -(-copies // max(1, beside))


@lru_cache(maxsize=4096)
def _side_by_side(size_mm: Size, build_mm: Size, gap_mm: float, margin_mm: float) -> int:
    return copies_on_plate(size_mm, build_mm, gap_mm, margin_mm)


@lru_cache(maxsize=4096)
def _in_cake(size: Size, volume_mm3: float, build: Size, gap: float, wall: float, limit: float) -> int:
    return copies_in_cake(size, volume_mm3, build, gap, wall, limit)


def share_builds(quantity: int, machines: Sequence[tuple[str, int]], place: int = 0) -> tuple[Build, ...]:
    """Builds of one part, machines in turn; where one round is enough, the parts are spread evenly over them.

    machines : id and copies that a build holds; place : of the part in the order
    A greater quantity has the same builds or larger ones, and more of them: so it is never done sooner.

    >>> [(build.machine, build.parts) for build in share_builds(30, [("a", 12)])]
    [('a', 12), ('a', 12), ('a', 6)]
    >>> [(build.machine, build.parts) for build in share_builds(13, [("a", 12), ("b", 12)])]
    [('a', 7), ('b', 6)]
    """
    left, builds = quantity, []
    even = ceil(quantity / len(machines))
    while left > 0:
        for machine, capacity in machines:
            parts = min(left, capacity, max(even, 1))
            if parts > 0:
                builds.append(Build(machine, ((place, parts),)))
                left -= parts
    return tuple(builds)


def mixed_builds(
    wanted: Mapping[int, int], shapes: Mapping[int, Posed], machines: Sequence[Machine]
) -> tuple[Build, ...]:
    """Builds of several parts of one material, machines in turn; each takes an even share of every part.

    wanted : place in the order -> copies; shapes : place -> the part as it lies in these machines
    Full builds hold one part; what is left of each part goes together.
    """
    by_machine = []
    for number, machine in enumerate(machines):
        share = {piece: (copies + len(machines) - 1 - number) // len(machines) for piece, copies in wanted.items()}
        by_machine.append(_builds_of({piece: copies for piece, copies in share.items() if copies}, shapes, machine))
    return tuple(build for build in chain.from_iterable(zip_longest(*by_machine)) if build is not None)


def _builds_of(wanted: Mapping[int, int], shapes: Mapping[int, Posed], machine: Machine) -> list[Build]:
    builds, rest = [], {}
    for piece, copies in wanted.items():
        capacity = build_capacity(machine, shapes[piece])
        builds += [Build(machine.id, ((piece, capacity),))] * (copies // capacity)
        rest[piece] = copies % capacity
    return builds + [Build(machine.id, contents) for contents in _together(rest, shapes, machine)]


def _together(rest: Mapping[int, int], shapes: Mapping[int, Posed], machine: Machine) -> list[Contents]:
    """Different parts side by side on plates, or in cakes."""
    each = [piece for piece, copies in rest.items() for _ in range(copies)]
    sizes, params = [shapes[piece].size_mm for piece in each], machine.params
    if machine.process == "PBF":
        volumes = [shapes[piece].volume_cm3 * 1000.0 for piece in each]
        groups = cakes_for(
            sizes, volumes, machine.build_mm, params["gap_mm"], params["wall_mm"], params["cake_fill_limit"]
        )
    else:
        groups = plates_for(sizes, machine.build_mm, params["gap_mm"], params["margin_mm"])
    counted = [[each[i] for i in group] for group in groups]
    return [tuple((piece, group.count(piece)) for piece in dict.fromkeys(sorted(group))) for group in counted]
