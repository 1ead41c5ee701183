"""Which machines can make what is ordered, in which pose, how many at once; and why the others cannot."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from calib.documents.compare import Out
from calib.quoting.nesting import Build, build_capacity, mixed_builds, share_builds
from calib.quoting.posing import Configuration, shortlist
from calib.quoting.request import OrderLine, QuoteRequest
from calib.quoting.shape import Shape, ShapeFinder
from calib.shop.model import Machine, Material, Shop


@dataclass(frozen=True, eq=False)
class Piece:
    """One part of the order as an option makes it.

    material : id; finish, difficulty : words of docs/interface.md
    capacity : copies that a build holds at most
    """

    name: str
    quantity: int
    process: str
    material: str
    finish: str
    difficulty: str
    shape: Shape
    capacity: int


@dataclass(frozen=True, eq=False)
class Option:
    """One machine, or several that share the work.

    machines : ids; several where builds are shared among them
    pieces : every part of the order; builds name them by place
    builds : in order, each with the machine it is meant for
    in_shared_build : goes along in the build that the shop closes at its cut-off; else a build of its own
    """

    machines: tuple[str, ...]
    pieces: tuple[Piece, ...]
    builds: tuple[Build, ...]
    in_shared_build: bool = False

    @property
    def name(self) -> str:
        return "+".join(self.machines)

    @property
    def process(self) -> str:
        """Its code; several, where parts of the order go different ways, are joined by '+'."""
        return "+".join(dict.fromkeys(piece.process for piece in self.pieces))

    @property
    def material(self) -> str:
        return "+".join(dict.fromkeys(piece.material for piece in self.pieces))

    def piece_of(self, build: Build) -> Piece:
        """The first part of a build: process and material are those of all its parts."""
        return self.pieces[build.contents[0][0]]


@dataclass
class OptionSet:
    """Options of one machine and of several that share the builds, and what is out with the reason in one clause.

    other_poses : of an option of one machine and one part, the same in other poses that may be sooner or cheaper
    """

    options: list[Option] = field(default_factory=list)
    other_poses: dict[Option, list[Option]] = field(default_factory=dict)
    shared: list[Option] = field(default_factory=list)
    out: list[Out] = field(default_factory=list)

    @property
    def why_not(self) -> str:
        """Reasons, each once, with the machines that share it."""
        machines: dict[str, list[str]] = {}
        for refused in self.out:
            machines.setdefault(refused["reason"], []).append(refused["machine"])
        return "; ".join(f"{', '.join(names)}: {reason}" for reason, names in machines.items())


def find_options(request: QuoteRequest, shop: Shop, shapes: Sequence[ShapeFinder]) -> OptionSet:
    """Every machine alone, and machines of one process that share the builds; the others with their reason.

    shapes : one for each line of the request
    """
    option_set = OptionSet()
    alike: dict[tuple[Any, ...], list[Machine]] = {}
    for machine in shop.machines.values():
        if not _asked_for(machine, request):
            continue
        posed = _posed_or_reason(machine, request, shop, shapes)
        if isinstance(posed, str):
            option_set.out.append({"process": machine.process, "machine": machine.id, "reason": posed})
            continue
        best, *others = [_option(pieces, [machine], [pieces]) for pieces in posed]
        for in_shared_build in (False, True) if machine.cutoffs and not request.alone else (False,):
            option_set.options.append(replace(best, in_shared_build=in_shared_build))
            option_set.other_poses[option_set.options[-1]] = [
                replace(other, in_shared_build=in_shared_build) for other in others
            ]
        key = (machine.process, *(piece.material for piece in posed[0]))
        alike.setdefault(key, []).append(machine)
    for machines in alike.values():
        option_set.shared.extend(shared_options(machines, request, shop, shapes))
    return option_set


def shared_options(
    machines: Sequence[Machine], request: QuoteRequest, shop: Shop, shapes: Sequence[ShapeFinder]
) -> Iterator[Option]:
    """The first two, three ... machines of the shop file together: a machine more at its end takes no plan away.

    All build the part in one pose, the best of the first machine for its share of the quantity. They take builds in turn;
    where they are not alike also with two turns for those of one make, so that a fast one need not wait.
    """
    for count in range(2, min(len(machines), request.quantity) + 1):
        posed = _posed_or_reason(machines[0], _share(request, count), shop, shapes)
        if isinstance(posed, str):
            return
        pieces = [replace(piece, quantity=line.quantity) for piece, line in zip(posed[0], request.lines, strict=True)]
        able = [(machine, own) for machine in machines if (own := _as_on(machine, pieces, shapes))][:count]
        if len(able) == count:
            names, by_machine = zip(*able, strict=True)
            least = [min(piece.capacity for piece in own) for own in zip(*by_machine, strict=True)]
            pieces = [replace(piece, capacity=capacity) for piece, capacity in zip(pieces, least, strict=True)]
            for turns in _turns(names):
                yield replace(
                    _option(tuple(pieces), [names[turn] for turn in turns], [by_machine[turn] for turn in turns]),
                    machines=tuple(machine.id for machine in names),
                )


def _turns(machines: Sequence[Machine]) -> Iterator[list[int]]:
    """Places of machines in the order of their builds, over and over: each once, then with one more for each make."""
    every = list(range(len(machines)))
    makes = [replace(machine, id="", owned=True, rate_per_h=None) for machine in machines]
    different = [make for turn, make in enumerate(makes) if make not in makes[:turn]]
    yield every
    for make in different if len(different) > 1 else ():
        yield every + [turn for turn in every if makes[turn] == make]


def _as_on(machine: Machine, pieces: Sequence[Piece], shapes: Sequence[ShapeFinder]) -> tuple[Piece, ...]:
    """The pieces in the same poses on another machine; empty where one does not fit."""
    if not all(piece.shape in finder.shapes(machine) for piece, finder in zip(pieces, shapes, strict=True)):
        return ()
    own = tuple(replace(piece, capacity=build_capacity(machine, piece.shape)) for piece in pieces)
    return own if all(piece.capacity for piece in own) else ()


def _share(request: QuoteRequest, machines: int) -> QuoteRequest:
    lines = tuple(replace(line, quantity=-(-line.quantity // machines)) for line in request.lines)
    return replace(request, lines=lines)


def _option(pieces: tuple[Piece, ...], machines: Sequence[Machine], by_machine: Sequence[Sequence[Piece]]) -> Option:
    names = tuple(machine.id for machine in machines)
    if len(pieces) == 1:
        capacities = [(machine.id, own[0].capacity) for machine, own in zip(machines, by_machine, strict=True)]
        return Option(names, pieces, share_builds(pieces[0].quantity, capacities))
    builds: list[Build] = []
    for material in dict.fromkeys(piece.material for piece in pieces):
        wanted = {number: piece.quantity for number, piece in enumerate(pieces) if piece.material == material}
        builds += mixed_builds(wanted, {number: pieces[number].shape for number in wanted}, machines)
    return Option(names, pieces, tuple(builds))


def joined_options(parts: Sequence[Option]) -> Option:
    """Options for one part each as one for all of them: every part goes its own way."""
    builds = [
        replace(build, contents=tuple((number, copies) for _, copies in build.contents))
        for number, option in enumerate(parts)
        for build in option.builds
    ]
    machines = tuple(dict.fromkeys(name for option in parts for name in option.machines))
    return Option(machines, tuple(option.pieces[0] for option in parts), tuple(builds))


def _asked_for(machine: Machine, request: QuoteRequest) -> bool:
    by_process = not request.processes or machine.process in request.processes
    return by_process and (not request.machines or machine.id in request.machines)


def _posed_or_reason(
    machine: Machine, request: QuoteRequest, shop: Shop, shapes: Sequence[ShapeFinder]
) -> list[tuple[Piece, ...]] | str:
    """The parts of the order in the poses that are worth planning, best first; of several parts each in its own best."""
    of_lines, lines = [], request.lines
    for line, finder in zip(lines, shapes, strict=True):
        posed = _piece_or_reason(machine, line, shop, finder)
        if isinstance(posed, str):
            return posed if len(lines) == 1 else f"{finder.mesh.name}: {posed}"
        of_lines.append(posed)
    return [(piece,) for piece in of_lines[0]] if len(of_lines) == 1 else [tuple(posed[0] for posed in of_lines)]


def _piece_or_reason(machine: Machine, line: OrderLine, shop: Shop, shapes: ShapeFinder) -> list[Piece] | str:
    material = _material(machine, line, shop)
    if isinstance(material, str):
        return material
    if not np.isfinite(shapes.mesh.volume_mm3):
        return "the mesh is open: its volume has no meaning; close it and ask again"
    least = float(machine.params.get("least_wall_mm", 0.0))
    if line.least_wall_mm is not None and line.least_wall_mm < least:
        return f"the thinnest wall is {line.least_wall_mm:g} mm, it needs {least:g} mm"
    finish = line.finish_of(machine.process)
    posed = shortlist(shapes, Configuration(machine, material, finish, shop), line.quantity)
    if not posed:
        size = _size(np.ptp(shapes.mesh.bounds_mm, axis=0))
        return f"too large: {size} in no pose inside {_size(machine.build_mm)} less its margins"
    return [
        Piece(shapes.mesh.name, line.quantity, machine.process, material.id, finish, line.difficulty, shape, capacity)
        for shape, capacity in posed
    ]


def _material(machine: Machine, line: OrderLine, shop: Shop) -> Material | str:
    """The first of the machine's materials that is wanted and meets the needs, or why there is none."""
    known = [shop.materials[name] for name in machine.materials if name in shop.materials]
    if not known:
        return "the shop file gives it no material"
    wanted = [material for material in known if not line.materials or material.id in line.materials]
    if not wanted:
        return f"it does not run {' or '.join(line.materials)}"
    reasons = []
    for material in wanted:
        missing = [need for need in line.needs if material.fit_for is not None and need not in material.fit_for]
        if not missing:
            return material
        reasons.append(f"{material.id} is not stated as {', '.join(missing)}")
    return "; ".join(reasons)


def _size(size: Any) -> str:
    return " x ".join(f"{side:.0f}" for side in size) + " mm"
