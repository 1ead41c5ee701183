"""Builds that run or are planned: when each machine is free again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from calib.quoting.clock import OpenClock
from calib.quoting.learned import Learned
from calib.quoting.schedule import Floor, Job, Run, run_jobs
from calib.quoting.steps import touch_share
from calib.shop.model import Shop


@dataclass(frozen=True, eq=False)
class QueuedBuild:
    """A build ahead, in the order in which the machine will take it.

    rows : its stages that are not done, in order: stage, baseline_min, touch_min, floor_min, prior_sd, basis
    elapsed_min : minutes that the first of them has been running
    order_id, quote_id : what it fulfils, for promises
    """

    build_id: str
    process: str
    machine: str
    material: str
    rows: pd.DataFrame
    elapsed_min: float = 0.0
    order_id: str = ""
    quote_id: str = ""


def queue_job(build: QueuedBuild, learned: Learned, draws: int, seed: int) -> Job:
    """The build's remaining work; a stage that runs takes what is left of a run that has lasted so long."""
    rows = build.rows.assign(
        process=build.process, machine=build.machine, material=build.material, build_id=build.build_id
    )
    minutes = learned.calibrator.draws(rows, draws, seed)
    minutes = np.maximum(minutes, np.nan_to_num(rows["floor_min"].to_numpy(float)))
    if build.elapsed_min > 0:
        minutes[:, 0] = _left_over(minutes[:, 0], build.elapsed_min)
    stages = tuple(rows["stage"])
    share = touch_share(rows["touch_min"], rows["baseline_min"])
    return Job(
        name=f"queued {build.build_id}",
        machine=build.machine,
        stages=stages,
        minutes={stage: minutes[:, i] for i, stage in enumerate(stages)},
        touch_share={stage: float(share[i]) for i, stage in enumerate(stages)},
    )


def _left_over(minutes: np.ndarray, elapsed: float) -> np.ndarray:
    """What is left, given that it was not done after ``elapsed``: draws below it are replaced by draws above it."""
    still = np.flatnonzero(minutes > elapsed)
    if len(still) == 0:
        return np.full(len(minutes), 0.1 * elapsed)
    taken = np.where(minutes > elapsed, np.arange(len(minutes)), still[np.arange(len(minutes)) % len(still)])
    return minutes[taken] - elapsed


def run_queue(
    queue: Sequence[QueuedBuild], shop: Shop, clock: OpenClock, start: float, learned: Learned, draws: int, seed: int
) -> tuple[list[Run], Floor]:
    """The queue alone through the shop."""
    floor = Floor(shop, clock, draws, start)
    jobs = [queue_job(build, learned, draws, seed) for build in queue if len(build.rows)]
    return run_jobs(jobs, floor), floor


def machines_free(
    queue: Sequence[QueuedBuild], shop: Shop, clock: OpenClock, start: float, learned: Learned, draws: int, seed: int
) -> dict[str, np.ndarray]:
    """When each machine of the queue is free, shape (draws,) [wall min]."""
    if not queue:
        return {}
    _, floor = run_queue(queue, shop, clock, start, learned, draws, seed)
    return {machine: servers.free[0] for machine, servers in floor.machines.items()}
