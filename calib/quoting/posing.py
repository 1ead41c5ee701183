"""Which poses of a part are worth planning for a quantity: by the physics on mean layers, for all its poses at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import Any

import numpy as np

from calib.baseline.build import build_minutes
from calib.baseline.route import default_route
from calib.quoting.nesting import build_capacity, nested
from calib.quoting.schedule import ON_MACHINE
from calib.quoting.shape import Shape, ShapeFinder
from calib.shop.model import Machine, Material, Shop

SHORTLISTED = 2  # poses that are planned through the calendar
WORSE = 1.2  # over the best estimate: a pose beyond is not planned
HANDS = 3.0  # wall minutes for one of hands: people are there about a third of the time (assumption)


@dataclass(frozen=True, eq=False)
class Configuration:
    """How a part is made: on a machine as the shop has it, of a material, to a finish."""

    machine: Machine
    material: Material
    finish: str
    shop: Shop

    @property
    def key(self) -> tuple[Any, ...]:
        """Ways of one key take the same time."""
        m = self.machine
        return self.shop.version, self.material.id, self.finish, m.process, m.build_mm, m.chambers, *m.params.values()


def shortlist(finder: ShapeFinder, made: Configuration, quantity: int) -> list[tuple[Shape, int]]:
    """The poses in which this many copies are soonest done on a machine by itself, best first, and copies in a build.

    Times are those of mean layers and roughly measured supports, so that only the few that are left are reckoned
    layer by layer. Empty where no pose fits.
    """
    key = (*made.key, quantity)
    if key not in finder.shortlists:
        held = [(shape, room) for shape in finder.shapes(made.machine) if (room := build_capacity(made.machine, shape))]
        minutes = _minutes(finder, held, made, quantity)
        finder.shortlists[key] = [held[place] for place in _best(minutes, [room for _, room in held])]
    return finder.shortlists[key]


def _best(minutes: np.ndarray, rooms: Sequence[int]) -> list[int]:
    """Places of the best estimates; of poses that come to the same, like a part and its mirror image, the first."""
    different: dict[tuple[str, int], int] = {}
    for place in np.argsort(np.round(minutes, 3), kind="stable"):
        if minutes[place] <= WORSE * minutes.min():
            different.setdefault((f"{minutes[place]:.4g}", rooms[place]), int(place))
    return list(different.values())[:SHORTLISTED]


def _minutes(finder: ShapeFinder, held: Sequence[tuple[Shape, int]], made: Configuration, quantity: int) -> np.ndarray:
    """Estimate for each pose: the machine's minutes for all builds one after another, and hands' minutes weighed."""
    if len(held) < 2:
        return np.zeros(len(held))
    more = np.array([ceil(quantity / room) - 1 for _, room in held])
    last = [(shape, quantity - int(full) * room) for full, (shape, room) in zip(more, held, strict=True)]
    full = [(shape, min(room, quantity)) for shape, room in held]
    return np.asarray(more * _of_builds(finder, full, made) + _of_builds(finder, last, made))


def _of_builds(finder: ShapeFinder, inside: Sequence[tuple[Shape, int]], made: Configuration) -> np.ndarray:
    """Estimated minutes of builds of one part each, those not known asked about at once."""
    known = finder.estimates.setdefault(made.key, {})
    new = [build for build in dict.fromkeys(inside) if build not in known]
    if new:
        known.update(zip(new, _estimated(new, made), strict=True))
    return np.array([known[build] for build in inside])


def _estimated(inside: Sequence[tuple[Shape, int]], made: Configuration) -> list[float]:
    base = build_minutes(_columns(inside, made), made.shop)
    route = {
        has: default_route(made.machine.process, made.finish, made.material.id, has, made.shop) for has in (False, True)
    }
    routes = [route[shape.held] for shape, _ in inside]
    wanted = [stage in routes[build] for build, stage in zip(base.build, base.stage, strict=True)]
    waits = np.where(np.isin(base.stage.astype(str), ON_MACHINE), base.minutes, 0.0) + HANDS * base.touch_min
    return [float(minutes) for minutes in np.bincount(base.build, waits * wanted, len(inside))]


def _columns(inside: Sequence[tuple[Shape, int]], made: Configuration) -> dict[str, np.ndarray]:
    """Rows of builds without layer profiles."""
    copies = np.array([float(count) for _, count in inside])
    rough = [shape.candidate.supports for shape, _ in inside]
    nests = [nested(made.machine, [build]) for build in inside]
    texts = {"process": made.machine.process, "machine": made.machine.id, "material": made.material.id}
    return {
        **{name: np.full(len(inside), text, object) for name, text in texts.items()},
        "parts": copies,
        "part_volume_cm3": copies * [shape.volume_cm3 for shape, _ in inside],
        "part_area_cm2": copies * [shape.area_cm2 for shape, _ in inside],
        "support_volume_cm3": copies * [supports.volume_cm3 for supports in rough],
        "support_contact_cm2": copies * [supports.contact_cm2 for supports in rough],
        "support_thickness_mm": np.array([supports.greatest_thickness_mm for supports in rough]),
        "height_mm": np.array([nest.height_mm for nest in nests]),
        "packed_volume_cm3": np.array([nest.cake_cm3 or np.nan for nest in nests]),
    }
