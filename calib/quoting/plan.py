"""Options through the shop's calendar: when is each ready, and which machines together are sooner."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from calib.calendar.clock import OpenClock
from calib.errors import NoPlanError
from calib.quoting.common_random_numbers import CommonRandomNumbers
from calib.quoting.cost import option_cost
from calib.quoting.flow import QueuedBuild, held_by_queue, queue_begins
from calib.quoting.half_days import half_day_end
from calib.quoting.learned import Learned
from calib.quoting.options import Option, OptionSet, find_options, joined_options
from calib.quoting.request import QuoteRequest, check_request
from calib.quoting.resources import check_people
from calib.quoting.schedule import Ahead, Resources, ends_of, run_jobs
from calib.quoting.shape import ShapeFinder
from calib.quoting.steps import ORDER_AFTER, ORDER_BEFORE, PredictionCache
from calib.quoting.work import Work, plan_work
from calib.shop.model import Shop

DRAWS = 5000
TRIED = 200  # draws by which groups of machines are chosen
PROMISED = 0.9  # chance of the half day by which poses are chosen
CLEARLY = 0.98  # of the time without it, that a further machine must leave to be taken in
MOST_NUMBERS = 40_000_000  # draws x stages of all options: more stages, fewer draws
STAGES_A_BUILD = 16


@dataclass(eq=False)
class Planned:
    """An option that has been run through the calendar; times are wall minutes, shape (draws,).

    first_build, made : when the first build is done, and all builds
    printing : when the first build's printing begins, None where it has none
    start : when the clock starts; ahead : what others take before
    """

    work: Work
    ready: np.ndarray
    first: np.ndarray
    first_build: np.ndarray
    made: np.ndarray
    printing: np.ndarray | None
    start: float
    ahead: Ahead

    @property
    def option(self) -> Option:
        return self.work.option

    @cached_property
    def key(self) -> tuple[float, float, str]:
        """Options are sorted by it: usual date, late date, name."""
        return float(np.median(self.ready)), float(np.quantile(self.ready, 0.9)), self.option.name


class Planner:
    """One shop, one queue, one start, one seed: every option meets the same random numbers, whatever the quantity."""

    def __init__(
        self, shop: Shop, learned: Learned, queue: Sequence[QueuedBuild], start: float, seed: int, draws: int
    ) -> None:
        self.shop, self.start = shop, start
        self.clock = OpenClock(shop.attended, shop.closures, shop.timezone)
        self.clock.never_before(queue_begins(queue, start))
        shifts = shop.attended != shop.hours
        self.days = OpenClock(shop.hours, shop.closures, shop.timezone) if shifts else self.clock  # of promises
        self.cache, self.random_numbers = PredictionCache(shop, learned), CommonRandomNumbers(learned, draws, seed)
        self.tries = self.random_numbers.fewer(min(draws, TRIED))
        self.ahead = held_by_queue(queue, shop, self.clock, start, learned, draws, seed)
        self.ahead_of_tries = self.ahead.each(lambda values: values[..., : self.tries.draws])

    def want(self, options: Sequence[Option]) -> None:
        """Say beforehand what will be planned: many options are asked about in one go."""
        for option in options:
            self.cache.want(option)

    def staffed(self, option_set: OptionSet) -> OptionSet:
        """What the shop's people can do; a machine alone that they cannot is out."""
        reasons = {option.name: self._no_people(option) for option in (*option_set.options, *option_set.shared)}
        option_set.options = [
            option for option in option_set.options if not self._put_out(option_set, option, reasons[option.name])
        ]
        option_set.shared = [option for option in option_set.shared if not reasons[option.name]]
        return option_set

    def plan(self, option_set: OptionSet) -> list[Planned]:
        """Every option, soonest first; shared builds only where clearly better than alone."""
        options = self.posed(option_set)
        self.want([*options, *option_set.shared])
        planned = self.run(options)
        usual = {plan.option.name: plan.key[0] - self.start for plan in planned}
        tried = self.run(option_set.shared, tries=True)
        worth = self.run(_worth_sharing(tried, usual, self.start))
        return sorted(planned + worth, key=lambda plan: plan.key)

    def posed(self, option_set: OptionSet) -> list[Option]:
        """Every option in the best of its poses: by the day that is promised, then by cost."""
        poses = {option: (option, *option_set.other_poses.get(option, ())) for option in option_set.options}
        tried = [pose for own in poses.values() if len(own) > 1 for pose in own]
        self.want(tried)
        keys = {plan.option: self._pose_key(plan) for plan in self.run(tried, tries=True)}
        return [min(own, key=keys.__getitem__) if len(own) > 1 else option for option, own in poses.items()]

    def _pose_key(self, planned: Planned) -> tuple[float, ...]:
        promised = half_day_end(float(np.quantile(planned.ready, PROMISED)), self.days)
        cost = option_cost(planned.work, self.shop)
        return promised, cost["p50"] if cost else 0.0, *planned.key[:2]

    def run(self, options: Sequence[Option], tries: bool = False) -> list[Planned]:
        """Options through the shop as they are."""
        works = plan_work(options, self.cache, self.tries if tries else self.random_numbers) if options else []
        return [self.run_work(work) for work in works]

    def run_work(self, work: Work) -> Planned:
        """One option through the shop."""
        draws = work.minutes.shape[1]
        ahead = self.ahead if draws == self.random_numbers.draws else self.ahead_of_tries
        resources = Resources(self.shop, self.clock, draws, self.start, ahead=ahead)
        runs = run_jobs(work.jobs, resources)
        ends = ends_of(runs)
        builds = [end for name, end in ends.items() if name not in (ORDER_BEFORE, ORDER_AFTER)]
        made = np.maximum.reduce(builds)
        ready = np.maximum(ends[ORDER_AFTER], made) if ORDER_AFTER in ends else made
        first_build = np.minimum.reduce(builds)
        first = _first_part(work, self.clock, first_build, ready)
        printing = next((run.start for run in runs if run.stage == "printing"), None)
        work.spend_failures()
        return Planned(work, ready, first, first_build, made, printing, self.start, self.ahead)

    def _no_people(self, option: Option) -> str:
        return check_people(self.shop, [stage for task in self.cache.tasks(option) for stage, _ in task.steps])

    @staticmethod
    def _put_out(option_set: OptionSet, option: Option, reason: str) -> bool:
        if reason and not option.in_shared_build:
            option_set.out.append({"process": option.process, "machine": option.name, "reason": reason})
        return bool(reason)


def plan_options(
    request: QuoteRequest,
    shop: Shop,
    shapes: Sequence[ShapeFinder],
    learned: Learned,
    queue: Sequence[QueuedBuild],
    seed: int,
    draws: int,
) -> tuple[list[Planned], OptionSet, Planner]:
    """Every option through the calendar, soonest first. Raises NoPlanError where there is none."""
    check_request(request, shop)
    option_set = find_options(request, shop, shapes)
    planner = Planner(shop, learned, queue, request.start_min, seed, affordable(draws, [option_set]))
    planned = planner.plan(planner.staffed(option_set))
    if not planned and len(request.lines) > 1:
        planned = planner.run([_each_its_own_way(request, shop, shapes, planner)])
    if not planned:
        raise no_plan(shapes, option_set)
    return planned, option_set, planner


def no_plan(shapes: Sequence[ShapeFinder], option_set: OptionSet) -> NoPlanError:
    names = ", ".join(dict.fromkeys(finder.mesh.name for finder in shapes))
    return NoPlanError(
        f"No machine of the shop can make {names}. {option_set.why_not}.", "Change the part or the shop file."
    )


def _each_its_own_way(request: QuoteRequest, shop: Shop, shapes: Sequence[ShapeFinder], planner: Planner) -> Option:
    """Where no machine can make every part: each part's soonest option, all in one plan."""
    best = []
    for line, finder in zip(request.lines, shapes, strict=True):
        alone = replace(request, lines=(line,))
        option_set = planner.staffed(find_options(alone, shop, [finder]))
        tried = planner.run([*option_set.options, *option_set.shared], tries=True)
        if not tried:
            raise no_plan([finder], option_set)
        best.append(min(tried, key=lambda plan: plan.key).option)
    return joined_options(best)


def affordable(draws: int, option_set: Sequence[OptionSet]) -> int:
    """So many draws that minutes of all stages of the largest of these plans fit in memory."""
    most = max((sum(len(option.builds) for option in options.options) for options in option_set), default=0)
    return int(np.clip(MOST_NUMBERS // max(STAGES_A_BUILD * most, 1), 200, draws))


def _worth_sharing(tried: Sequence[Planned], usual: dict[str, float], start: float) -> list[Option]:
    """Of each process the smallest group of machines that is clearly sooner than a smaller one, and than any alone."""
    best: dict[str, tuple[float, Option]] = {}
    for planned in sorted(tried, key=lambda planned: len(planned.option.machines)):
        option, minutes = planned.option, planned.key[0] - start
        so_far = (
            best[option.process][0]
            if option.process in best
            else min(usual.get(name, np.inf) for name in option.machines)
        )
        if minutes < CLEARLY * so_far:
            best[option.process] = (minutes, option)
    return [option for _, option in best.values()]


def _first_part(work: Work, clock: OpenClock, first_build: np.ndarray, ready: np.ndarray) -> np.ndarray:
    """The first build's end and one part's share of what is done for the order afterwards."""
    quantity = sum(build.parts for build in work.option.builds)
    share = work.minutes[work.place.get(ORDER_AFTER, slice(0))].sum(axis=0) / quantity
    return np.asarray(np.minimum(clock.work(first_build, share)[1], ready))
