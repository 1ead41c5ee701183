"""A part, a quantity and a shop -> the options side by side, each with its ranges: the quote."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from calib.baseline.build import explain
from calib.errors import NoPlanError
from calib.geometry.mesh import Mesh
from calib.geometry.outline import outline
from calib.quoting.clock import OpenClock
from calib.quoting.cost import option_cost
from calib.quoting.draws import Predictor
from calib.quoting.ladder import usual_course
from calib.quoting.notes import cautions_of, option_warnings, quote_notes
from calib.quoting.options import Found, Option, ShapeFinder, find_options
from calib.quoting.outside import outside_options
from calib.quoting.planned_builds import planned_builds
from calib.quoting.promise import valid_until
from calib.quoting.queue import QueuedBuild, machines_free
from calib.quoting.ranges import chance_by, date_range, date_with_chance, iso, many_quantiles, value_range
from calib.quoting.request import QuoteRequest, check_request
from calib.quoting.resources import check_people
from calib.quoting.schedule import Floor, Run, run_jobs
from calib.quoting.width import width_by_cause
from calib.quoting.work import (
    ORDER_AFTER,
    ORDER_BEFORE,
    FailureChances,
    Learned,
    Route,
    WaitDraws,
    Work,
    build_columns,
    plan_work,
)
from calib.shop.model import Shop

DRAWS = 5000
TRIED = 200  # draws by which groups of machines are chosen
CLEARLY = 0.98  # of the time without it, that a further machine must leave to be taken in
MOST_NUMBERS = 40_000_000  # draws x stages of all options: more stages, fewer draws


@dataclass(eq=False)
class Planned:
    """An option that has been run through the calendar; times are wall minutes, shape (draws,).

    free : when each machine that others use before is free
    """

    work: Work
    ready: np.ndarray
    first: np.ndarray
    free: dict[str, np.ndarray]

    @property
    def key(self) -> tuple[float, float, str]:
        return float(np.median(self.ready)), float(np.quantile(self.ready, 0.9)), self.work.option.name


def quote(
    request: QuoteRequest,
    shop: Shop,
    mesh: Mesh,
    calibrator: Predictor,
    queue: Sequence[QueuedBuild] = (),
    waits: WaitDraws | None = None,
    failures: FailureChances | None = None,
    seed: int = 0,
    draws: int = DRAWS,
    route: Route | None = None,
    shapes: ShapeFinder | None = None,
) -> dict[str, Any]:
    """The contract's ``quote`` document without its id; see ``contract`` for the keys.

    Raises UsageError or NoPlanError in one sentence when nothing can be quoted.
    """
    learned = Learned(calibrator, waits, failures, route)
    planned, found = plan_options(request, shop, mesh, learned, queue, seed, draws, shapes)
    clock = OpenClock(shop.hours, shop.closures, shop.timezone)
    if not planned:
        reasons = "; ".join(f"{one['machine']}: {one['reason']}" for one in found.out)
        raise NoPlanError(
            f"No machine of the shop can make {mesh.name}. {reasons}.", "Change the part or the shop file."
        )
    options = [_option_document(one, request, shop) for one in planned]
    return {
        "part": mesh.name,
        "quantity": request.quantity,
        "level": 0.8,
        "options": options,
        "out": found.out,
        "soonest": soonest(planned),
        "valid_until": valid_until(request, shop),
        "start": iso(request.start_min, shop.timezone),
        "due": iso(request.due.timestamp() / 60, shop.timezone) if request.due else None,
        "sure": request.sure,
        "draws": len(planned[0].ready),
        "seed": seed,
        "notes": quote_notes(request, shop, mesh),
        "outside": outside_options(request, shop),
        "width": width_by_cause(planned[0].work, planned[0].ready),
        "drawing": outline(mesh.triangles, mesh.mates),
        "course": usual_course(planned[0].work, shop, clock, request.start_min, planned[0].free),
    }


def plan_options(
    request: QuoteRequest,
    shop: Shop,
    mesh: Mesh,
    learned: Learned,
    queue: Sequence[QueuedBuild],
    seed: int,
    draws: int,
    shapes: ShapeFinder | None = None,
) -> tuple[list[Planned], Found]:
    """Every option through the calendar, soonest first; shared builds only where better than alone."""
    check_request(request, shop)
    found = find_options(request, shop, shapes or ShapeFinder(mesh))
    clock = OpenClock(shop.hours, shop.closures, shop.timezone)
    draws = _affordable(draws, found)
    free = machines_free(queue, shop, clock, request.start_min, learned, draws, seed)

    def plans(options: Sequence[Option], draws: int) -> list[Planned]:
        works = plan_work(options, request, shop, learned, draws, seed) if options else []
        return [
            run_work(work, shop, clock, request.start_min, free)
            for work in works
            if not _put_out(found, work, check_people(shop, work.route))
        ]

    planned = plans(found.options, draws)
    usual = {one.work.option.name: one.key[0] - request.start_min for one in planned}
    tried = plans(found.shared, min(draws, TRIED))
    return sorted(
        planned + plans(_worth_sharing(tried, usual, request.start_min), draws), key=lambda one: one.key
    ), found


def _worth_sharing(tried: Sequence[Planned], usual: dict[str, float], start: float) -> list[Option]:
    """Of each process the smallest group of machines that is clearly sooner than a smaller one, and than any alone."""
    best: dict[str, tuple[float, Option]] = {}
    for one in sorted(tried, key=lambda one: len(one.work.option.machines)):
        option, minutes = one.work.option, one.key[0] - start
        so_far = (
            best[option.process][0]
            if option.process in best
            else min(usual.get(name, np.inf) for name in option.machines)
        )
        if minutes < CLEARLY * so_far:
            best[option.process] = (minutes, option)
    return [option for _, option in best.values()]


def _affordable(draws: int, found: Found) -> int:
    stages = 16 * sum(len(option.builds) for option in found.options)
    return int(np.clip(MOST_NUMBERS // max(stages, 1), 200, draws))


def _put_out(found: Found, work: Work, reason: str) -> bool:
    """Whether there is a reason; a machine alone is listed with it."""
    if reason and len(work.option.machines) == 1:
        found.out.append({"process": work.option.process, "machine": work.option.name, "reason": reason})
    return bool(reason)


def run_work(work: Work, shop: Shop, clock: OpenClock, start: float, free: dict[str, np.ndarray]) -> Planned:
    """One option through the shop."""
    draws = work.minutes.shape[1]
    floor = Floor(shop, clock, draws, start)
    for machine, until in free.items():
        floor.machines[machine].free[0] = np.maximum(start, until[:draws])
    runs = run_jobs(work.jobs, floor)
    ends = _job_ends(runs)
    builds = [end for name, end in ends.items() if name not in (ORDER_BEFORE, ORDER_AFTER)]
    made = np.maximum.reduce(builds)
    ready = np.maximum(ends[ORDER_AFTER], made) if ORDER_AFTER in ends else made
    return Planned(work, ready, _first_part(work, clock, np.minimum.reduce(builds), ready), free)


def _job_ends(runs: list[Run]) -> dict[str, np.ndarray]:
    ends: dict[str, np.ndarray] = {}
    for run in runs:
        if run.stage != "powder_recovery":
            ends[run.job] = np.maximum(ends[run.job], run.end) if run.job in ends else run.end
    return ends


def _first_part(work: Work, clock: OpenClock, first_build: np.ndarray, ready: np.ndarray) -> np.ndarray:
    """The first build's end and one part's share of what is done for the order afterwards."""
    last = work.rows["job"].to_numpy() == ORDER_AFTER
    quantity = sum(parts for parts, _ in work.option.builds)
    share = work.minutes[last].sum(axis=0) / quantity
    return np.minimum(clock.work(first_build, share)[1], ready)


def soonest(planned: Sequence[Planned]) -> dict[str, Any]:
    """The option whose usual date comes first, and the share of draws in which no other process is sooner.

    Where all options are of one process, the share in which no other machine is.
    """
    best = planned[0]
    others = [one for one in planned if one.work.option.process != best.work.option.process]
    others = others or [one for one in planned[1:] if set(one.work.option.machines) - set(best.work.option.machines)]
    chance = 1.0
    if others:
        chance = float(np.mean(best.ready <= np.minimum.reduce([one.ready for one in others])))
    return {"process": best.work.option.process, "machine": best.work.option.name, "chance": round(chance, 4)}


def _option_document(one: Planned, request: QuoteRequest, shop: Shop) -> dict[str, Any]:
    work, option, zone, start = one.work, one.work.option, shop.timezone, request.start_min
    total, touch = work.minutes.sum(axis=0), work.touch.sum(axis=0)
    return {
        "process": option.process,
        "machine": option.name,
        "material": option.material,
        "ride": ("along" if option.rides else "alone") if _has_closings(option, shop) else None,
        "builds": len(option.builds),
        "parts_per_build": max(parts for parts, _ in option.builds),
        "stages": _stage_documents(work),
        "terms": _terms(option, request, shop, set(work.route)),
        "work_min": value_range(total),
        "touch_min": value_range(touch),
        "lead_time_h": value_range(one.ready - start, 1 / 60),
        "first_part_h": value_range(one.first - start, 1 / 60),
        "ready_at": date_range(one.ready, zone),
        "lead_quantiles_h": many_quantiles(one.ready - start, 1 / 60),
        "sure_at": date_with_chance(one.ready, request.sure, zone),
        "on_time": chance_by(one.ready, request.due.timestamp() / 60) if request.due else None,
        "cost": option_cost(work, shop),
        "warnings": option_warnings(work, shop),
        "cautions": cautions_of(work.route, option.process),
        "plan": planned_builds(option, request, shop),
    }


def _terms(option: Option, request: QuoteRequest, shop: Shop, route: set[str]) -> list[dict[str, Any]]:
    """Where the baseline minutes of the option's first build come from."""
    parts, name = option.builds[0]
    columns = build_columns(option, shop.machines[name], [parts], request)
    return [asdict(term) for term in explain(columns, shop) if term.stage in route]


def _has_closings(option: Option, shop: Shop) -> bool:
    return any(shop.machines[name].closes for name in option.machines)


def _stage_documents(work: Work) -> list[dict[str, Any]]:
    behind = work.rows.groupby("stage")["runs_behind"].min().to_dict()
    touch = work.touch
    documents = []
    stages = work.rows["stage"].to_numpy()
    for stage in work.route:
        here = stages == stage
        documents.append(
            {
                "stage": stage,
                "baseline_min": round(float(work.rows["baseline_min"].to_numpy()[here].sum()), 4),
                **{f"{name}_min": value for name, value in value_range(work.minutes[here].sum(axis=0)).items()},
                "touch_min": round(float(np.median(touch[here].sum(axis=0))), 4),
                "runs_behind": int(behind[stage]),
            }
        )
    return documents
