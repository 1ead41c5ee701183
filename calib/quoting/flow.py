"""Builds as they came in, through a shop: how long does each take from release to its last stage?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from calib.quoting.clock import OpenClock
from calib.quoting.learned import Learned
from calib.quoting.luck import Luck
from calib.quoting.queue import QueuedBuild, queue_job
from calib.quoting.schedule import Floor, ends_of, run_jobs
from calib.shop.model import Machine, Shop


def turnaround_min(
    builds: Sequence[QueuedBuild], released: Sequence[float], shop: Shop, learned: Learned, draws: int, seed: int
) -> np.ndarray:
    """Minutes from release to the end of the last stage, shape (builds, draws).

    released : wall minutes, one for each build, ascending; before it a build cannot start
    """
    clock = OpenClock(shop.hours, shop.closures, shop.timezone)
    floor, luck = Floor(shop, clock, draws, released[0]), Luck(learned, draws, seed)
    jobs = [
        replace(queue_job(build, luck, number), ready=ready)
        for number, (build, ready) in enumerate(zip(builds, released, strict=True))
    ]
    ends = ends_of(run_jobs(jobs, floor))
    return np.array([ends[job.name] - job.ready for job in jobs])


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
