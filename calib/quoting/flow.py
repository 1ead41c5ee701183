"""Builds as they came in, through a shop: how long each takes from release to its last stage, and what it holds meanwhile."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from calib.calendar.clock import OpenClock
from calib.quoting.learned import Learned
from calib.quoting.luck import Luck
from calib.quoting.queue import QueuedBuild, queue_job
from calib.quoting.schedule import Floor, Job, Run, ends_of, run_jobs
from calib.quoting.sisters import join_orders, share_ends
from calib.shop.model import Machine, Shop


@dataclass(frozen=True, eq=False)
class Flow:
    """Builds that have run through a shop.

    jobs : one for each build, ready when it was released, and what is done for orders of several builds
    runs : every stage of each
    builds : names of the builds' jobs, as they came in
    """

    shop: Shop
    jobs: Sequence[Job]
    runs: Sequence[Run]
    floor: Floor
    builds: Sequence[str]

    @cached_property
    def by_job(self) -> dict[str, list[Run]]:
        """Runs of each job, in order."""
        found: dict[str, list[Run]] = {job.name: [] for job in self.jobs}
        for run in self.runs:
            found[run.job].append(run)
        return found

    @cached_property
    def turnaround_min(self) -> np.ndarray:
        """Minutes from release to the end of the last stage, shape (builds, draws)."""
        ends, ready = share_ends(self.jobs, ends_of(self.runs)), {job.name: job.ready for job in self.jobs}
        return np.array([ends[name] - ready[name] for name in self.builds])


def released_jobs(
    builds: Sequence[QueuedBuild], released: Sequence[float], learned: Learned, draws: int, seed: int
) -> list[Job]:
    """Jobs of builds that cannot start before their release, as wall minutes, ascending; and of their orders."""
    luck = Luck(learned, draws, seed)
    jobs = [
        replace(queue_job(build, luck, number), ready=ready)
        for number, (build, ready) in enumerate(zip(builds, released, strict=True))
    ]
    return join_orders(jobs, [build.together for build in builds])


def run_flow(jobs: Sequence[Job], shop: Shop, unlimited: str = "") -> Flow:
    """The jobs through a shop; ``unlimited`` : a machine that nothing has to wait for."""
    clock = OpenClock(shop.attended, shop.closures, shop.timezone)
    draws = len(next(iter(jobs[0].minutes.values())))
    floor = Floor(shop, clock, draws, jobs[0].ready, unlimited)
    builds = [job.name for job in jobs if not job.after]
    return Flow(shop, jobs, run_jobs(jobs, floor), floor, builds)


def with_waits(jobs: Sequence[Job], times: float) -> list[Job]:
    """The jobs with waits that are so many times as long."""
    return [replace(job, waits={stage: times * wait for stage, wait in job.waits.items()}) for job in jobs]


def spread_over(
    builds: Sequence[Mapping[Any, Any]],
    released: Sequence[float],
    minutes: Sequence[float],
    machines: Sequence[Machine],
) -> list[str]:
    """A machine for each build: of those that run its process and material and are high enough the one free first.

    builds : process, machine, material, height_mm as logged; minutes : on the machine, as usual
    """
    free: dict[str, float] = {}
    chosen = []
    for build, ready, busy in zip(builds, released, minutes, strict=True):
        able = [machine.id for machine in machines if _can(machine, build)] or [str(build["machine"])]
        name = min(able, key=lambda one: (max(free.get(one, 0.0), ready), one != build["machine"]))
        free[name] = max(free.get(name, 0.0), ready) + busy
        chosen.append(name)
    return chosen


def _can(machine: Machine, build: Mapping[Any, Any]) -> bool:
    height = build.get("height_mm")
    fits = not isinstance(height, float) or np.isnan(height) or height <= machine.build_mm[2]
    material = build.get("material")
    return machine.process == build["process"] and fits and (not material or material in machine.materials)
