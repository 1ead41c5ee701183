"""Builds of one order: what is done for the whole order waits until all of them are there, and is done once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.quoting.schedule import Job
from calib.records import scope_of


def join_orders(jobs: Sequence[Job], orders: Sequence[str]) -> list[Job]:
    """The jobs, with one more after the last of each order's for what they end with that is done for the whole order.

    orders : of each job, '' where it has none; such a job, or one alone in its order, stays as it is
    """
    members: dict[str, list[int]] = {}
    for number, order in enumerate(orders):
        if order:
            members.setdefault(order, []).append(number)
    joined = list(jobs)
    after: dict[int, Job] = {}
    for order, numbers in members.items():
        kept = {number: _before_the_order(jobs[number]) for number in numbers}
        whole = {number: jobs[number].stages[kept[number] :] for number in numbers}
        if len(numbers) > 1 and any(whole.values()):
            after[numbers[-1]] = _for_the_order(order, [jobs[n] for n in numbers], [whole[n] for n in numbers])
            for number in numbers:
                joined[number] = replace(jobs[number], stages=jobs[number].stages[: kept[number]])
    return [each for number, job in enumerate(joined) for each in (job, after.get(number)) if each is not None]


def share_ends(jobs: Sequence[Job], ends: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """When each job is through, the work for its order included, shape (draws,) [wall min]."""
    shared = dict(ends)
    for job in jobs:
        for name in job.after:
            shared[name] = np.maximum(shared.get(name, -np.inf), ends[job.name])
    return shared


def _before_the_order(job: Job) -> int:
    """How many of its stages come before those that it ends with and that are done for the whole order."""
    count = len(job.stages)
    while count and scope_of(job.stages[count - 1]) == "order":
        count -= 1
    return count


def _for_the_order(order: str, jobs: Sequence[Job], stages: Sequence[tuple[str, ...]]) -> Job:
    """What jobs end with as one: minutes added up, hands by minutes, the wait of the last that has the stage."""
    in_order = max(stages, key=len)
    in_order = (*in_order, *(s for own in stages for s in own if s not in in_order))
    having = {stage: [job for job, own in zip(jobs, stages, strict=True) if stage in own] for stage in in_order}
    minutes = {stage: np.sum([job.minutes[stage] for job in own], axis=0) for stage, own in having.items()}
    return Job(
        name=f"order {order}",
        machine=None,
        stages=tuple(dict.fromkeys(in_order)),
        minutes=minutes,
        touch_share={
            stage: float(np.average([job.touch_share.get(stage, 0.0) for job in own])) for stage, own in having.items()
        },
        waits={stage: own[-1].waits[stage] for stage, own in having.items() if stage in own[-1].waits},
        after=tuple(job.name for job in jobs),
        ready=max(job.ready for job in jobs),
    )
