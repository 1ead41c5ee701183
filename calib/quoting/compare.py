"""The same part over quantities: which process is soonest at which, and where that flips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from calib.calendar.clock import OpenClock
from calib.documents.compare import AtQuantity, Caution, CompareDocument, CompareLine, Crossover, DotsAt, Zone
from calib.errors import NoPlanError
from calib.geometry.mesh import Mesh
from calib.quoting.flow import QueuedBuild
from calib.quoting.half_days import closed_days
from calib.quoting.learned import Learned
from calib.quoting.notes import floors_not_known, option_cautions, quote_notes, unknown_floors
from calib.quoting.options import OptionSet, find_options
from calib.quoting.plan import Planned, Planner, affordable, no_plan
from calib.quoting.ranges import QUANTILES, one_of_twenty, value_range
from calib.quoting.request import QuoteRequest, check_request
from calib.quoting.shape import ShapeFinder
from calib.quoting.work import Work
from calib.shop.model import Shop

DRAWS = 1500
CLEAR = 2 / 3  # chance to be first from which it is stated; common practice, no source
CONTENDS = 0.2  # chance to be first from which a process is named where it is too close to call


@dataclass(eq=False)
class Curve:
    """The curve of one machine, or of all of a process together, over the quantities; arrays of shape (draws,), wall minutes."""

    process: str
    machine: str
    ready: dict[int, np.ndarray] = field(default_factory=dict)
    first: dict[int, np.ndarray] = field(default_factory=dict)
    touch: dict[int, np.ndarray] = field(default_factory=dict)
    work: list[Work] = field(default_factory=list)

    def add(self, quantity: int, planned: Planned) -> None:
        if quantity in self.ready:
            return
        self.ready[quantity], self.first[quantity] = planned.ready, planned.first
        self.touch[quantity] = planned.work.touch.sum(axis=0)
        self.work = [planned.work]

    def never_sooner_with_more(self) -> None:
        """A plan for more parts also makes fewer: where it is sooner, it is the plan for the fewer."""
        quantities = sorted(self.ready)
        for fewer, more in zip(quantities[-2::-1], quantities[:0:-1], strict=True):
            for times in (self.ready, self.first):
                if any(np.quantile(times[more], q) < np.quantile(times[fewer], q) for q in QUANTILES.values()):
                    times[fewer] = np.minimum(times[fewer], times[more])


def compare(
    request: QuoteRequest,
    quantities: Sequence[int],
    shop: Shop,
    mesh: Mesh,
    learned: Learned,
    queue: Sequence[QueuedBuild] = (),
    seed: int = 0,
    draws: int = DRAWS,
) -> CompareDocument:
    """The ``compare`` document (docs/interface.md), with time to the first part and a person's time besides.

    A process with several machines has one more curve, all of them together: at each quantity the best plan on any
    of them. request : of one part, whose quantity is not looked at. Raises as ``quote`` does.
    Raises NoPlanError where no quantity is given.
    """
    wanted = sorted(set(quantities))
    if not wanted:
        raise NoPlanError("No quantity to compare.", "Name some, such as 1,5,20.")
    shapes = [ShapeFinder(mesh)]
    curves, option_set, draws = compared_curves(request, wanted, shop, shapes, learned, queue, seed, draws)
    if not curves:
        raise no_plan(shapes, option_set)
    return {
        "part": mesh.name,
        "quantities": wanted,
        "options": [_curve_document(curve, wanted, request.start_min) for curve in curves],
        "zones": find_zones(curves, wanted),
        "flips": find_crossovers(curves, wanted),
        "dots": _dots(curves, wanted, shop.timezone),
        "closed_days": closed_days(
            request.start_min, _latest(curves, wanted[-1]), OpenClock(shop.hours, shop.closures, shop.timezone)
        ),
        "out": option_set.out,
        "draws": draws,
        "seed": seed,
        "notes": quote_notes(request, shop, [mesh]),
        "cautions": _cautions(curves, shop),
        "warnings": unknown_floors(
            pair for curve in curves for work in curve.work for pair in floors_not_known(work, shop)
        ),
    }


def _dots(curves: Sequence[Curve], wanted: Sequence[int], zone: str) -> list[DotsAt]:
    """The soonest plan of each process at the least, the middle and the greatest quantity."""
    few = dict.fromkeys((wanted[0], wanted[len(wanted) // 2], wanted[-1]))
    return [
        {"quantity": quantity, "process": process, "ready_dots": one_of_twenty(ready, zone)}
        for quantity in few
        for process, ready in best_of_process(curves, quantity).items()
    ]


def _latest(curves: Sequence[Curve], quantity: int) -> float:
    """The latest usual end at a quantity [wall min]."""
    return max(float(np.quantile(ready, 0.95)) for ready in best_of_process(curves, quantity).values())


def _cautions(curves: Sequence[Curve], shop: Shop) -> list[Caution]:
    """What to take care of, of each process by its last curve, which is of all its machines."""
    works = {curve.process: work for curve in curves for work in curve.work}
    return [caution for work in works.values() for caution in option_cautions(work, shop)]


def compared_curves(
    request: QuoteRequest, wanted: Sequence[int], shop: Shop, shapes: Sequence[ShapeFinder], learned: Learned,
    queue: Sequence[QueuedBuild], seed: int, draws: int,
) -> tuple[list[Curve], OptionSet, int]:  # fmt: skip
    """Curves over the quantities, what is out at the greatest, and the draws: one planner, the same random numbers for all."""
    requests = [
        replace(request, lines=(replace(request.lines[0], quantity=quantity),), due=None) for quantity in wanted
    ]
    for of_quantity in requests:
        check_request(of_quantity, shop)
    option_sets = [find_options(of_quantity, shop, shapes) for of_quantity in requests]
    draws = affordable(draws, option_sets)
    planner = Planner(shop, learned, queue, request.start_min, seed, draws)
    for option_set in option_sets:
        planner.want([*planner.staffed(option_set).options, *option_set.shared])
    curves: dict[tuple[str, str], Curve] = {}
    for quantity, option_set in zip(wanted, option_sets, strict=True):
        _add(curves, quantity, planner.plan(option_set))
    for curve in curves.values():
        curve.never_sooner_with_more()
    return list(curves.values()), option_sets[-1], draws


def _add(curves: dict[tuple[str, str], Curve], quantity: int, planned: Sequence[Planned]) -> None:
    """Each machine's own plan, and each process's best plan where it has several machines."""
    by_process: dict[str, list[Planned]] = {}
    for plan in planned:
        by_process.setdefault(plan.option.process, []).append(plan)
    for process, plans in by_process.items():
        alone = [plan for plan in plans if len(plan.option.machines) == 1]
        for plan in sorted(alone, key=lambda plan: (plan.option.name, plan.key)):
            name = plan.option.name
            curves.setdefault((process, name), Curve(process, name)).add(quantity, plan)
        names = {plan.option.name for plan in alone}
        if len(names) > 1:
            everyone = "+".join(sorted(names))
            best = min(plans, key=lambda plan: plan.key)
            curves.setdefault((process, everyone), Curve(process, everyone)).add(quantity, best)


def _curve_document(curve: Curve, wanted: Sequence[int], start: float) -> CompareLine:
    def over(values: dict[int, np.ndarray], scale: dict[int, float]) -> list[AtQuantity]:
        return [{"quantity": q, **value_range(values[q], scale[q])} for q in wanted if q in values]

    lead = {q: ready - start for q, ready in curve.ready.items()}
    first = {q: made - start for q, made in curve.first.items()}
    hours, each = dict.fromkeys(wanted, 1 / 60), {q: 1 / 60 / q for q in wanted}
    return {
        "process": curve.process,
        "machine": curve.machine,
        "lead_time_h": over(lead, hours),
        "per_part_h": over(lead, each),
        "first_part_h": over(first, hours),
        "touch_per_part_min": over(curve.touch, {q: 1 / q for q in wanted}),
    }


def best_of_process(curves: Sequence[Curve], quantity: int) -> dict[str, np.ndarray]:
    """The soonest curve of each process, by its usual date: draws of when it is ready. Shape (draws,) [wall min]."""
    best: dict[str, np.ndarray] = {}
    for curve in curves:
        ready = curve.ready.get(quantity)
        if ready is not None and (curve.process not in best or np.median(ready) < np.median(best[curve.process])):
            best[curve.process] = ready
    return best


def find_zones(curves: Sequence[Curve], wanted: Sequence[int]) -> list[Zone]:
    """Spans of quantities in which one process is first by a clear chance, and those that are too close to call.

    Each: from, to (the first and last of ``wanted`` in it), first (a process; None: too close to call), chance (the least
    share of draws in which it is first; None), contenders (all that are first in a good share of draws).
    """
    zones: list[Zone] = []
    for quantity in wanted:
        chances = chances_to_be_first(best_of_process(curves, quantity))
        if not chances:
            continue
        leader = max(chances, key=chances.__getitem__)
        clear = chances[leader] >= CLEAR
        close = [process for process, chance in chances.items() if chance >= CONTENDS or process == leader]
        first, chance = (leader, round(chances[leader], 4)) if clear else (None, None)
        if zones and zones[-1]["first"] == first:
            last = zones[-1]
            last["to"] = quantity
            last["chance"] = None if chance is None else min(last["chance"] or 0.0, chance)
            last["contenders"] = list(dict.fromkeys([*last["contenders"], *close]))
        else:
            zones.append({"from": quantity, "to": quantity, "first": first, "chance": chance, "contenders": close})
    return zones


def chances_to_be_first(best: dict[str, np.ndarray]) -> dict[str, float]:
    """Share of draws in which each process is ready no later than any other.

    best : process -> when it is ready, shape (draws,) [wall min]
    """
    if not best:
        return {}
    earliest = np.minimum.reduce(list(best.values()))
    return {process: float(np.mean(ready <= earliest)) for process, ready in best.items()}


def find_crossovers(curves: Sequence[Curve], wanted: Sequence[int]) -> list[Crossover]:
    """Quantities from which another process is first by a clear chance, with the chance that it is first there."""
    clear = [(zone["from"], first) for zone in find_zones(curves, wanted) if (first := zone["first"])]
    crossovers: list[Crossover] = []
    for (_, before), (quantity, now) in pairwise(clear):
        if now != before:
            chance = chances_to_be_first(best_of_process(curves, quantity))[now]
            crossovers.append({"quantity": quantity, "from": before, "to": now, "chance": round(chance, 4)})
    return crossovers
