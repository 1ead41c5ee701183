"""The same part over quantities: which process is soonest at which, and where that flips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from calib.errors import NoPlanError
from calib.geometry.mesh import Mesh
from calib.quoting.draws import Predictor
from calib.quoting.notes import quote_notes
from calib.quoting.options import ShapeFinder
from calib.quoting.plan import Planned, plan_options
from calib.quoting.queue import QueuedBuild
from calib.quoting.ranges import QUANTILES, value_range
from calib.quoting.request import QuoteRequest
from calib.quoting.work import FailureChances, Learned, Route, WaitDraws
from calib.shop.model import Shop

DRAWS = 1500


@dataclass(eq=False)
class Line:
    """One machine, or all of a process together, over the quantities; arrays of shape (draws,), wall minutes."""

    process: str
    machine: str
    ready: dict[int, np.ndarray] = field(default_factory=dict)
    first: dict[int, np.ndarray] = field(default_factory=dict)
    touch: dict[int, np.ndarray] = field(default_factory=dict)

    def add(self, quantity: int, one: Planned) -> None:
        if quantity in self.ready:
            return
        self.ready[quantity], self.first[quantity] = one.ready, one.first
        self.touch[quantity] = one.work.touch.sum(axis=0)

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
    calibrator: Predictor,
    queue: Sequence[QueuedBuild] = (),
    waits: WaitDraws | None = None,
    failures: FailureChances | None = None,
    seed: int = 0,
    draws: int = DRAWS,
    route: Route | None = None,
) -> dict[str, Any]:
    """The contract's ``compare`` document, with time to the first part and a person's time besides.

    A process with several machines has one more line, all of them together: at each quantity the best plan on any
    of them. Raises as ``quote`` does.
    """
    wanted = sorted(set(quantities))
    if not wanted:
        raise NoPlanError("No quantity to compare.", "Name some, such as 1,5,20.")
    learned, shapes = Learned(calibrator, waits, failures, route), ShapeFinder(mesh)
    lines: dict[tuple[str, str], Line] = {}
    out: list[dict[str, str]] = []
    for quantity in wanted:
        one = replace(request, quantity=quantity, due=None)
        planned, found = plan_options(one, shop, mesh, learned, queue, seed, draws, shapes)
        out = found.out
        _add(lines, quantity, planned)
    for line in lines.values():
        line.never_sooner_with_more()
    if not lines:
        reasons = "; ".join(f"{one['machine']}: {one['reason']}" for one in out)
        raise NoPlanError(f"No machine of the shop can make {mesh.name}. {reasons}.", "Change the part or the shop.")
    return {
        "part": mesh.name,
        "quantities": wanted,
        "options": [_line_document(line, wanted, request.start_min) for line in lines.values()],
        "flips": find_flips(list(lines.values()), wanted),
        "out": out,
        "draws": draws,
        "seed": seed,
        "notes": quote_notes(request, shop, mesh),
    }


def _add(lines: dict[tuple[str, str], Line], quantity: int, planned: Sequence[Planned]) -> None:
    """Each machine's own plan, and each process's best plan where it has several machines."""
    by_process: dict[str, list[Planned]] = {}
    for one in planned:
        by_process.setdefault(one.work.option.process, []).append(one)
    for process, plans in by_process.items():
        alone = [one for one in plans if len(one.work.option.machines) == 1]
        for one in sorted(alone, key=lambda one: (one.work.option.name, one.key)):
            name = one.work.option.name
            lines.setdefault((process, name), Line(process, name)).add(quantity, one)
        names = {one.work.option.name for one in alone}
        if len(names) > 1:
            everyone = "+".join(sorted(names))
            best = min(plans, key=lambda one: one.key)
            lines.setdefault((process, everyone), Line(process, everyone)).add(quantity, best)


def _line_document(line: Line, wanted: Sequence[int], start: float) -> dict[str, Any]:
    def over(values: dict[int, np.ndarray], scale: dict[int, float]) -> list[dict[str, Any]]:
        return [{"quantity": q, **value_range(values[q], scale[q])} for q in wanted if q in values]

    lead = {q: ready - start for q, ready in line.ready.items()}
    first = {q: made - start for q, made in line.first.items()}
    hours, each = dict.fromkeys(wanted, 1 / 60), {q: 1 / 60 / q for q in wanted}
    return {
        "process": line.process,
        "machine": line.machine,
        "lead_time_h": over(lead, hours),
        "per_part_h": over(lead, each),
        "first_part_h": over(first, hours),
        "touch_per_part_min": over(line.touch, {q: 1 / q for q in wanted}),
    }


def best_of_process(lines: Sequence[Line], quantity: int) -> dict[str, np.ndarray]:
    """The soonest line of each process, by its usual date: draws of when it is ready."""
    best: dict[str, np.ndarray] = {}
    for line in lines:
        ready = line.ready.get(quantity)
        if ready is not None and (line.process not in best or np.median(ready) < np.median(best[line.process])):
            best[line.process] = ready
    return best


def find_flips(lines: Sequence[Line], wanted: Sequence[int]) -> list[dict[str, Any]]:
    """Quantities from which another process is soonest by its usual date, with the chance that it is sooner there.

    chance : share of draws in which the new process is ready no later than the one it takes over from
    """
    flips = []
    before: str | None = None
    for quantity in wanted:
        best = best_of_process(lines, quantity)
        if not best:
            continue
        now = min(best, key=lambda process: float(np.median(best[process])))
        if before is not None and now != before:
            chance = float(np.mean(best[now] <= best[before])) if before in best else 1.0
            flips.append({"quantity": quantity, "from": before, "to": now, "chance": round(chance, 4)})
        before = now
    return flips
