"""What if the shop were another: a patch laid over the shop file, beside today's, for an order or the last weeks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from calib.documents.compare import Out
from calib.documents.shop import Turnaround, WhatIfOrder, WhatIfWeeks
from calib.errors import NoPlanError, UsageError
from calib.progress import Progress, no_progress
from calib.quoting.notes import floors_not_known, unknown_floors
from calib.quoting.plan import Planned, plan_options
from calib.quoting.promised import in_order_of_promise
from calib.quoting.ranges import iso, value_range
from calib.quoting.request import QuoteRequest
from calib.quoting.shape import ShapeFinder, shapes_of
from calib.quoting.what_if import compared, gain_document, gained_min, on_site, soonest_pair
from calib.shop.model import Shop
from calib.shop.patch import patched
from calib.shop.patch_facts import stated_by_patch
from calib.shop.read_shop import read_shop
from calib.workflow.capacity import resource_loads
from calib.workflow.demand import WEEKS, flow_of, logged_demand
from calib.workflow.fitted import Fitted, find_fitted, learned_of
from calib.workflow.floors import floor_warnings
from calib.workflow.order import ANYTHING, OrderedPart, QuoteAsk, is_order, read_order
from calib.workflow.predict import stage_rows
from calib.workflow.queue import find_queue
from calib.workflow.quote import early_start, read_meshes


def what_if_order(
    folder: Path,
    part: Path,
    quantity: int | None,
    patch: Path | str,
    ask: QuoteAsk = ANYTHING,
    progress: Progress = no_progress,
) -> WhatIfOrder:
    """One order in today's shop and in the changed one, with the same random numbers.

    part, quantity : a part and how many; or an order file and None
    patch : TOML text or its path, in the shop file's own format; see ``shop.patch.patched``

    Raises ShopFileError for a patch that is wrong or goes under a floor; else as ``quote`` does.
    """
    return what_if_lines(folder, _lines(part, quantity, ask), patch, ask, part.name, progress)


def what_if_lines(
    folder: Path,
    lines: list[OrderedPart],
    patch: Path | str,
    ask: QuoteAsk,
    name: str = "",
    progress: Progress = no_progress,
    only_soonest: bool = False,
) -> WhatIfOrder:
    """As ``what_if_order``, of parts and how many of each.

    name : of the part or of the order
    only_soonest : cautions and least times of the changed shop's soonest option alone, for who shows no other
    """
    today, changed, fitted = read_shop(folder), patched(folder, patch), find_fitted(folder)
    meshes = read_meshes(folder, lines, changed, progress)
    request = ask.request(changed, lines)
    planning = _Planning(folder, fitted, request, [shapes_of(mesh) for mesh in meshes], ask.seed)
    progress("Planning the changed shop ...")
    after, out = planning.plans(changed)
    progress("Planning today's shop ...")
    try:
        before, _ = planning.plans(today)
    except NoPlanError:
        before = []
    progress("")
    shown = after[:1] if only_soonest else after
    return {
        "part": name,
        "quantity": request.quantity,
        "start": iso(request.start_min, today.timezone),
        "soonest": soonest_pair(before, after),
        "options": compared(before, after),
        "out": out,
        "on_site": on_site(today, changed, [pair for plan in shown for pair in plan.work.stages_by_process]),
        "warnings": [
            *stated_by_patch(today, changed),
            *fitted.warnings,
            *early_start(request, fitted),
            *unknown_floors(pair for plan in shown for pair in floors_not_known(plan.work, changed)),
            *_not_owned(changed),
        ],
    }


@dataclass(frozen=True)
class _Planning:
    """One order, to be planned in several shops."""

    folder: Path
    fitted: Fitted
    request: QuoteRequest
    shapes: Sequence[ShapeFinder]
    seed: int

    def plans(self, shop: Shop) -> tuple[list[Planned], list[Out]]:
        """Options in a shop, the earliest promise first, and what is out."""
        queue = find_queue(self.folder, shop, self.fitted, pd.Timestamp(self.request.start))
        draws = int(shop.quoting["draws"])
        planned, option_set, planner = plan_options(
            self.request, shop, self.shapes, learned_of(self.fitted, shop), queue, self.seed, draws
        )
        return in_order_of_promise(planned, self.request, shop, planner.days), option_set.out


def _lines(part: Path, quantity: int | None, ask: QuoteAsk) -> list[OrderedPart]:
    if is_order(part):
        return read_order(part)
    if quantity is None:
        raise UsageError("How many parts is not said.", "Add --qty N, or name an order file.")
    return [ask.part(part, quantity)]


def _not_owned(shop: Shop) -> list[str]:
    thought_of = [name for name, machine in shop.machines.items() if not machine.owned]
    return [f"Not owned, so nothing was learned of it: {', '.join(thought_of)}."] if thought_of else []


def what_if_weeks(
    folder: Path,
    patch: Path | str,
    weeks: float | None = None,
    seed: int = 0,
    progress: Progress = no_progress,
) -> WhatIfWeeks:
    """The builds of the last weeks, released as they were, through today's shop and the changed one.

    Raises as ``patched``, and TooFewRunsError without logs.
    """
    today, changed, fitted = read_shop(folder), patched(folder, patch), find_fitted(folder)
    demand = logged_demand(folder, today, weeks or WEEKS)
    builds = demand.of_the_weeks
    progress("Running today's shop ...")
    before = flow_of(demand, today, today, fitted, seed)
    progress("Running the changed shop ...")
    after = flow_of(demand, today, changed, fitted, seed)
    minutes = (before.turnaround_min, after.turnaround_min)
    progress("")
    process = builds["process"].to_numpy()
    rows = stage_rows(builds, changed, fitted)
    return {
        "demand": demand.source,
        "builds": len(builds),
        "weeks": demand.weeks,
        **_flow_document(*minutes),
        "by_process": [
            {"process": code, **_flow_document(*(side[process == code] for side in minutes))}
            for code in sorted(set(process))
        ],
        "resources": {name: resource_loads(flow, demand, fitted) for name, flow in
                      (("today", before), ("changed", after))},
        "on_site": on_site(today, changed, list(dict.fromkeys(zip(rows["process"], rows["stage"], strict=True)))),
        "warnings": [*stated_by_patch(today, changed), *fitted.warnings, *_not_owned(changed), *floor_warnings(rows, changed)],
    }  # fmt: skip


def _flow_document(today: np.ndarray, changed: np.ndarray) -> Turnaround:
    before, after = today.mean(axis=0), changed.mean(axis=0)
    return {
        "turnaround_h": {"today": value_range(before, 1 / 60), "changed": value_range(after, 1 / 60)},
        **gain_document(gained_min(before, after)),
    }
