"""A part, or an order of several, a quantity and a shop -> the options side by side, each with its ranges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import cast

import numpy as np

from calib.calendar.clock import OpenClock
from calib.documents.quote import Drawing, Item, Pose, QuoteDocument, QuoteOption, Soonest, StageTime, Term, View
from calib.documents.spans import Span
from calib.geometry.mesh import Mesh
from calib.quoting.build_rows import planned_builds
from calib.quoting.cost import option_cost
from calib.quoting.flow import QueuedBuild
from calib.quoting.half_days import closed_days
from calib.quoting.learned import Learned
from calib.quoting.notes import option_cautions, option_warnings, quote_notes, width_by_cause
from calib.quoting.options import Option, Piece
from calib.quoting.physics import terms_of
from calib.quoting.plan import DRAWS, Planned, plan_options
from calib.quoting.promise import outsourcing_options, valid_until
from calib.quoting.promised import in_order_of_promise, keep_the_date, promise_of, promise_to_give
from calib.quoting.ranges import (
    chance_by,
    date_range,
    date_with_chance,
    date_within,
    iso,
    many_quantiles,
    one_of_twenty,
    value_ranges,
)  # fmt: skip
from calib.quoting.request import OrderLine, QuoteRequest
from calib.quoting.shape import ShapeFinder
from calib.quoting.steady import best_of_each_process, pieces_per_day
from calib.quoting.typical_schedule import start_advice, typical_schedule
from calib.quoting.work import Work
from calib.shop.model import Shop

MOST_DRAWN = 3


def quote(
    request: QuoteRequest,
    shop: Shop,
    meshes: Sequence[Mesh],
    learned: Learned,
    queue: Sequence[QueuedBuild] = (),
    seed: int = 0,
    draws: int = DRAWS,
    finders: Mapping[Mesh, ShapeFinder] | None = None,
) -> QuoteDocument:
    """The ``quote`` document (docs/interface.md) without its id; its keys count the whole order, ``items`` lists its parts.

    meshes : one for each of ``request.lines``, in their order; the same mesh for the same part
    finders : of the meshes, where shapes that are found are of use afterwards
    Raises UsageError or NoPlanError in one sentence when nothing can be quoted.
    """
    finders = finders or {mesh: ShapeFinder(mesh) for mesh in meshes}
    shapes = [finders[mesh] for mesh in meshes]
    planned, option_set, planner = plan_options(request, shop, shapes, learned, queue, seed, draws)
    planned = in_order_of_promise(planned, request, shop, planner.days)
    best, lines = planned[0], best_of_each_process(planned)
    per_day = dict(zip(lines, pieces_per_day(lines, planner), strict=True))
    options = [_option_document(plan, request, shop, planner.days, per_day.get(plan)) for plan in planned]
    return {
        "part": ", ".join(dict.fromkeys(mesh.name for mesh in meshes)),
        "quantity": request.quantity,
        "items": [_item(mesh, line) for mesh, line in zip(meshes, request.lines, strict=True)],
        "level": 0.8,
        "options": options,
        "out": option_set.out,
        "soonest": soonest(planned),
        "promise": promise_to_give(planned, options, request, planner.days),
        "keep_due": keep_the_date(options, request),
        "valid_until": valid_until(request, shop),
        "start": iso(request.start_min, shop.timezone),
        "due": iso(request.due.timestamp() / 60, shop.timezone) if request.due else None,
        "sure": request.sure,
        "draws": len(best.ready),
        "seed": seed,
        "notes": quote_notes(request, shop, meshes),
        "outside": outsourcing_options(request, shop),
        "start_advice": start_advice(best, shop, planner.clock),
        "width": width_by_cause(best.work, best.ready),
        "drawing": _views(shapes[0]),
        "drawings": _drawings(shapes),
        "closed_days": closed_days(
            request.start_min, max(float(np.quantile(one.ready, 0.95)) for one in planned), planner.days
        ),
        "course": typical_schedule(best.work, shop, planner.clock, request.start_min, best.ahead),
    }


def _item(mesh: Mesh, line: OrderLine) -> Item:
    """One part as it was asked for; null: whatever suits."""
    return {
        "part": mesh.name,
        "quantity": line.quantity,
        "finish": line.finish,
        "material": "+".join(line.materials) or None,
        "needs": list(line.needs),
        "size_mm": [round(float(side), 2) for side in mesh.size_mm],
    }


def _drawings(shapes: Sequence[ShapeFinder]) -> list[Drawing]:
    """The first MOST_DRAWN parts of an order of several; of one part none, for ``drawing`` has it."""
    different = list({finder.mesh.name: finder for finder in shapes}.values())
    if len(different) == 1:
        return []
    return [{"part": finder.mesh.name, "views": _views(finder)} for finder in different[:MOST_DRAWN]]


def _views(finder: ShapeFinder) -> Mapping[str, View]:
    return cast(Mapping[str, View], finder.views)


def soonest(planned: Sequence[Planned]) -> Soonest:
    """The option with the earliest promise, and the share of draws in which no other process is sooner.

    Where all options are of one process, the share in which no other machine is.
    """
    best = planned[0]
    others = [plan for plan in planned if plan.option.process != best.option.process]
    others = others or [plan for plan in planned[1:] if set(plan.option.machines) - set(best.option.machines)]
    chance = 1.0
    if others:
        chance = float(np.mean(best.ready <= np.minimum.reduce([plan.ready for plan in others])))
    return {"process": best.option.process, "machine": best.option.name, "chance": round(chance, 4)}


def _option_document(
    planned: Planned, request: QuoteRequest, shop: Shop, clock: OpenClock, per_day: Span | None
) -> QuoteOption:
    work, option, zone, start = planned.work, planned.option, shop.timezone, request.start_min
    touch = work.touch
    work_min, touch_min, lead_min, first_min = value_ranges(
        np.array([work.minutes.sum(axis=0), touch.sum(axis=0), planned.ready - start, planned.first - start])
    )
    return {
        "process": option.process,
        "machine": option.name,
        "material": option.material,
        "ride": ("along" if option.in_shared_build else "alone") if _has_cutoffs(option, shop) else None,
        "builds": len(option.builds),
        "parts_per_build": max(build.parts for build in option.builds),
        "stages": _stage_documents(work, touch),
        "terms": _terms(option, shop, set(work.route)),
        "work_min": work_min,
        "touch_min": touch_min,
        "lead_time_h": _hours(lead_min),
        "first_part_h": _hours(first_min),
        "ready_at": date_range(planned.ready, zone),
        "ready_within": date_within(planned.ready, request.level, zone),
        "ready_dots": one_of_twenty(planned.ready, zone),
        "lead_quantiles_h": many_quantiles(planned.ready - start, 1 / 60),
        "sure_at": date_with_chance(planned.ready, request.sure, zone),
        **promise_of(planned, request, clock),
        "on_time": chance_by(planned.ready, request.due.timestamp() / 60) if request.due else None,
        "cost": option_cost(work, shop),
        "warnings": option_warnings(work, shop),
        "cautions": option_cautions(work, shop),
        "plan": planned_builds(option, shop),
        "poses": [_pose(piece) for piece in option.pieces],
        "pieces_per_day": per_day,
    }


def _pose(piece: Piece) -> Pose:
    """How one part is laid, and what holds it up."""
    shape = piece.shape
    return {
        "part": piece.name,
        "lies": shape.pose.words(),
        "fixed": bool(shape.pose.mesh.down),
        "size_mm": [round(side, 2) for side in shape.size_mm],
        "support_cm3": shape.support_cm3,
        "contact_cm2": shape.contact_cm2,
    }


def _hours(minutes: Span) -> Span:
    return {
        "p10": round(minutes["p10"] / 60, 4),
        "p50": round(minutes["p50"] / 60, 4),
        "p90": round(minutes["p90"] / 60, 4),
    }


def _terms(option: Option, shop: Shop, route: set[str]) -> list[Term]:
    return [term.copy() for term in terms_of(option, shop) if term["stage"] in route]


def _has_cutoffs(option: Option, shop: Shop) -> bool:
    return any(shop.machines[name].cutoffs for name in option.machines)


def _stage_documents(work: Work, touch: np.ndarray) -> list[StageTime]:
    """Each stage over the whole order; ``touch_min`` is the usual one."""
    rows = [np.flatnonzero(work.steps.stage == stage) for stage in work.route]
    minutes = np.array([work.minutes[own].sum(axis=0) for own in rows])
    hands = np.array([touch[own].sum(axis=0) for own in rows])
    return [
        {
            "stage": stage,
            "baseline_min": round(float(work.steps.physics_min[own].sum()), 4),
            "p10_min": spread["p10"],
            "p50_min": spread["p50"],
            "p90_min": spread["p90"],
            "touch_min": touched["p50"],
            "runs_behind": int(work.steps.runs_behind[own].min()),
            "from_gaps": bool(np.any(work.steps.baseline_min[own] != work.steps.physics_min[own])),
        }
        for stage, own, spread, touched in zip(
            work.route, rows, value_ranges(minutes), value_ranges(hands), strict=True
        )
    ]
