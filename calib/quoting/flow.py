"""Builds through a shop: those that stand before a new order, and those of some weeks as they came in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from calib.calendar.clock import OpenClock
from calib.quoting.common_random_numbers import CommonRandomNumbers
from calib.quoting.joined_orders import join_orders, share_ends
from calib.quoting.learned import Learned
from calib.quoting.schedule import ON_MACHINE, Ahead, Job, Resources, Run, ends_of, run_jobs
from calib.quoting.steps import touch_share
from calib.shop.model import Machine, Shop

NOTHING = Ahead()
QUEUED = (
    100_000  # builds of the queue are numbered from here on: their random numbers are not those of the order quoted
)


@dataclass(frozen=True, eq=False)
class QueuedBuild:
    """A build ahead, in the order in which the machine will take it.

    rows : its stages that are not done, in order: stage, baseline_min, touch_min, floor_min, fillings, prior_sd, basis
    elapsed_min : minutes that the first of them has been running
    order_id, quote_id : what it fulfils, for promises
    together : builds of which this is the same are one order; '' for one that holds several orders or none
    height_mm : nan where it is not known
    not_before : wall time before which its work may not begin [min]
    as_of : wall time at which it stood so; the queue runs from there, whenever the order that is asked about starts [min]
    """

    build_id: str
    process: str
    machine: str
    material: str
    rows: pd.DataFrame
    elapsed_min: float = 0.0
    order_id: str = ""
    quote_id: str = ""
    not_before: float = -np.inf
    together: str = ""
    height_mm: float = np.nan
    as_of: float = np.inf


def queue_begins(queue: Sequence[QueuedBuild], start: float) -> float:
    """From when the shop is to be run for an order that starts then [wall min]."""
    return min([start, *(build.as_of for build in queue)])


def queue_job(build: QueuedBuild, random_numbers: CommonRandomNumbers, number: int) -> Job:
    """One job of ``queue_jobs``; number : place in the queue, which keys its random numbers"""
    return queue_jobs([(number, build)], random_numbers)[0]


def queue_jobs(numbered: Sequence[tuple[int, QueuedBuild]], random_numbers: CommonRandomNumbers) -> list[Job]:
    """The builds' remaining work with its waits and failures; a run under way takes what is left of it.

    numbered : builds with their places in the queue
    """
    named = [
        build.rows.assign(
            process=build.process, machine=build.machine, material=build.material, build_id=build.build_id
        )
        for _, build in numbered
    ]
    seeds = [random_numbers.seed + 7919 * number for number, _ in numbered]
    drawn = random_numbers.learned.calibrator.draws_each(named, random_numbers.draws, seeds)
    return [
        _queue_job(build, random_numbers, number, rows, minutes)
        for (number, build), rows, minutes in zip(numbered, named, drawn, strict=True)
    ]


def _queue_job(
    build: QueuedBuild, random_numbers: CommonRandomNumbers, number: int, rows: pd.DataFrame, minutes: np.ndarray
) -> Job:
    minutes = np.maximum(minutes, np.nan_to_num(rows["floor_min"].to_numpy(float)))
    if build.elapsed_min > 0:
        minutes[:, 0] = _left_over(minutes[:, 0], build.elapsed_min)
    stages = tuple(rows["stage"])
    for place, stage in enumerate(stages):
        random_numbers.again(build.process, build.build_id, stage, out=minutes[:, place])
    share = touch_share(rows["touch_min"], rows["baseline_min"])
    later = stages[1:] if build.elapsed_min > 0 else stages
    return Job(
        name=f"queued {build.build_id}",
        machine=build.machine,
        stages=stages,
        minutes={stage: minutes[:, i] for i, stage in enumerate(stages)},
        touch_share={stage: float(share[i]) for i, stage in enumerate(stages)},
        waits=random_numbers.waits_before(
            build.process, later, QUEUED + number, stages[0] if later is not stages else ""
        ),
        failed_at=random_numbers.failed_attempts(_failure_chance(build, random_numbers), QUEUED + number),
        dry_at=random_numbers.learned.dry_at(
            build.machine, float(rows["fillings"].max()), build.elapsed_min > 0 and stages[0] == "printing"
        ),
        ready=build.not_before,
    )


def _failure_chance(build: QueuedBuild, random_numbers: CommonRandomNumbers) -> float:
    """Chance that its printing, if still to come, fails [0..1]."""
    if "printing" not in set(build.rows["stage"]):
        return 0.0
    return random_numbers.failure_chance(build.process, build.machine, build.material, build.height_mm)


def _left_over(minutes: np.ndarray, elapsed: float) -> np.ndarray:
    """What is left, given that it was not done after ``elapsed``: draws below it are replaced by draws above it."""
    still = np.flatnonzero(minutes > elapsed)
    if len(still) == 0:
        return np.full(len(minutes), 0.1 * elapsed)
    taken = np.where(minutes > elapsed, np.arange(len(minutes)), still[np.arange(len(minutes)) % len(still)])
    return minutes[taken] - elapsed


def run_queue(
    queue: Sequence[QueuedBuild], shop: Shop, clock: OpenClock, start: float, learned: Learned, draws: int, seed: int
) -> tuple[list[Run], Resources]:
    """The queue alone through the shop."""
    resources = Resources(shop, clock, draws, start)
    random_numbers = CommonRandomNumbers(learned, draws, seed)
    kept = [(number, build) for number, build in enumerate(queue) if len(build.rows)]
    jobs = queue_jobs(kept, random_numbers)
    return run_jobs(join_orders(jobs, [build.together for _, build in kept]), resources), resources


def held_by_queue(
    queue: Sequence[QueuedBuild], shop: Shop, clock: OpenClock, start: float, learned: Learned, draws: int, seed: int
) -> Ahead:
    """What the queue takes before an order that comes at ``start``."""
    if not queue:
        return Ahead()
    return run_queue(queue, shop, clock, queue_begins(queue, start), learned, draws, seed)[1].left_ahead()


@dataclass(frozen=True, eq=False)
class Flow:
    """Builds that have run through a shop.

    jobs : one for each build, ready when it was released, and what is done for orders of several builds
    ahead : what the shop was held for when the first came in
    builds : names of the jobs of those builds that are looked at, as they came in; the others only stand before them
    runs : every stage of each job
    """

    shop: Shop
    jobs: Sequence[Job]
    ahead: Ahead
    builds: Sequence[str]
    runs: Sequence[Run]
    resources: Resources

    def again(self, shop: Shop | None = None, jobs: Sequence[Job] | None = None, unlimited: str = "") -> Flow:
        """The same with another shop, other jobs, or a machine that nothing has to wait for."""
        return run_flow(jobs or self.jobs, shop or self.shop, self.ahead, self.builds, unlimited)

    @cached_property
    def looked_at(self) -> list[Job]:
        """Jobs of the builds that are looked at, and of their orders."""
        own = set(self.builds)
        return [job for job in self.jobs if job.name in own or not own.isdisjoint(job.after)]

    @cached_property
    def by_job(self) -> dict[str, list[Run]]:
        """Runs of each job, in order."""
        runs: dict[str, list[Run]] = {job.name: [] for job in self.jobs}
        for run in self.runs:
            runs[run.job].append(run)
        return runs

    @cached_property
    def turnaround_min(self) -> np.ndarray:
        """Minutes from release to the end of the last stage, shape (builds, draws)."""
        ends, ready = share_ends(self.jobs, ends_of(self.runs)), {job.name: job.ready for job in self.jobs}
        return np.array([ends[name] - ready[name] for name in self.builds])

    def had_machine(self, job: Job) -> tuple[float, float]:
        """Mean minutes that a build had its machine, and those of them in which it was worked at or ran; 0 where it had none."""
        machine = self.shop.machines.get(job.machine or "")
        on_it = ON_MACHINE if machine is None or machine.chambers == 1 else ("machine_setup", "warm_up", "printing")
        runs = [run for run in self.by_job[job.name] if run.stage in on_it] if job.machine else []
        if not runs:
            return 0.0, 0.0
        begin, end = (np.minimum.reduce([run.start for run in runs]), np.maximum.reduce([run.end for run in runs]))
        failed, failed_ran = self.resources.failed_min[job.name], self.resources.failed_ran_min[job.name]
        return float((end - begin + failed).mean()), float(failed_ran.mean()) + sum(self.worked(run) for run in runs)

    def worked(self, run: Run) -> float:
        """Mean minutes of a run; of one by hand those in the hours of who does it."""
        if run.lane != "hands":
            return float((run.end - run.start).mean())
        clocks = self.resources.people.clocks(run.stage)
        return float(np.min([clock.open_at(run.end) - clock.open_at(run.start) for clock in clocks], axis=0).mean())


def released_jobs(
    builds: Sequence[QueuedBuild], released: Sequence[float], learned: Learned, draws: int, seed: int
) -> list[Job]:
    """Jobs of builds that cannot start before their release, as wall minutes, ascending; and of their orders."""
    random_numbers = CommonRandomNumbers(learned, draws, seed)
    queued = queue_jobs(list(enumerate(builds)), random_numbers)
    jobs = [replace(job, ready=ready) for job, ready in zip(queued, released, strict=True)]
    return join_orders(jobs, [build.together for build in builds])


def run_flow(
    jobs: Sequence[Job], shop: Shop, ahead: Ahead = NOTHING, builds: Sequence[str] = (), unlimited: str = ""
) -> Flow:
    """The jobs through a shop; see ``Flow``.

    builds : all, where none is named; unlimited : a machine that nothing has to wait for
    """
    clock = OpenClock(shop.attended, shop.closures, shop.timezone)
    draws = len(next(iter(jobs[0].minutes.values())))
    resources = Resources(shop, clock, draws, jobs[0].ready, unlimited, ahead)
    builds = builds or [job.name for job in jobs if not job.after]
    return Flow(shop, jobs, ahead, builds, run_jobs(jobs, resources), resources)


def with_waits(jobs: Sequence[Job], times: float) -> list[Job]:
    """The jobs with waits that are so many times as long."""
    return [replace(job, waits={stage: times * wait for stage, wait in job.waits.items()}) for job in jobs]


def spread_over(
    builds: Sequence[Mapping[Any, Any]],
    released: Sequence[float],
    minutes: Sequence[float],
    machines: Sequence[Machine],
    left: Mapping[str, float] = MappingProxyType({}),
) -> list[str]:
    """A machine for each build: of those that run its process and material and are high enough the one free first.

    builds : process, machine, material, height_mm as logged; minutes : that each has a machine, as usual; left : machine ->
    when it is rid of what came before
    """
    free = dict(left)
    chosen = []
    for build, ready, busy in zip(builds, released, minutes, strict=True):
        able = [machine.id for machine in machines if _can(machine, build)] or [str(build["machine"])]
        name = min(able, key=lambda machine: (max(free.get(machine, 0.0), ready), machine != build["machine"]))
        free[name] = max(free.get(name, 0.0), ready) + busy
        chosen.append(name)
    return chosen


def _can(machine: Machine, build: Mapping[Any, Any]) -> bool:
    height = build.get("height_mm")
    fits = not isinstance(height, float) or np.isnan(height) or height <= machine.build_mm[2]
    material = build.get("material")
    return machine.process == build["process"] and fits and (not material or material in machine.materials)
