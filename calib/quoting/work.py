"""Options -> jobs: the minutes of every stage of every build, drawn jointly, ready to go through the calendar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from calib.quoting.learned import FailureChances
from calib.quoting.luck import Luck
from calib.quoting.options import Option
from calib.quoting.schedule import Job
from calib.quoting.steps import ORDER_AFTER, ORDER_BEFORE, Asked, Steps, Task, tasks_of


@dataclass(eq=False)
class Work:
    """One option's work.

    steps : the stages of all jobs, arrays of length n; job : shape (n,), whose they are
    minutes : shape (n, draws), floors kept [min]
    jobs : what is done for the order before, the builds, what is done for the order after
    failure_chance : of each build [0..1]
    """

    option: Option
    steps: Steps
    job: np.ndarray
    minutes: np.ndarray
    jobs: list[Job]
    failure_chance: np.ndarray

    @property
    def route(self) -> tuple[str, ...]:
        """Stages, each once, in order."""
        return tuple(dict.fromkeys(self.steps.stage))

    @property
    def touch(self) -> np.ndarray:
        """Minutes of hands, shape (n, draws)."""
        return self.minutes * self.steps.touch_share[:, None]


def plan_work(options: Sequence[Option], asked: Asked, luck: Luck) -> list[Work]:
    """Work of every option; the physics and the calibrator are asked once for all of them."""
    tasks = [tasks_of(option, asked) for option in options]
    for option, own in zip(options, tasks, strict=True):
        asked.want(option, own)
    asked.answer(luck)
    return [_draw(option, own, asked, luck) for option, own in zip(options, tasks, strict=True)]


def _draw(option: Option, tasks: Sequence[Task], asked: Asked, luck: Luck) -> Work:
    rows = [list(asked.rows(option, task)) for task in tasks]
    steps = asked.steps([row for own in rows for row in own])
    job = np.repeat(np.array([task.name for task in tasks], object), [len(own) for own in rows])
    minutes = np.empty((len(steps), luck.draws))
    for name in dict.fromkeys(job):
        own = np.flatnonzero(job == name)
        for process in dict.fromkeys(steps.process[own]):
            mine = own[steps.process[own] == process]
            places = luck.places(process, name, steps.stage[mine].tolist())
            for row, place in zip(mine, places, strict=True):
                minutes[row] = place.minutes(steps.log_quantiles[row])
    np.maximum(minutes, np.nan_to_num(steps.floor_min)[:, None], out=minutes)
    chance = failure_chances(option, asked.learned.failures)
    return Work(option, steps, job, minutes, _jobs(option, steps, job, minutes, chance, luck), chance)


def failure_chances(option: Option, failures: FailureChances | None) -> np.ndarray:
    """Chance of each build to fail, shape (builds,) [0..1]."""
    if failures is None:
        return np.zeros(len(option.builds))
    first = [option.piece_of(build) for build in option.builds]
    rows = [
        (piece.process, build.machine, piece.material, piece.shape.size_mm[2])
        for piece, build in zip(first, option.builds, strict=True)
    ]
    unique = list(dict.fromkeys(rows))
    chances = failures.chance(pd.DataFrame(unique, columns=["process", "machine", "material", "height_mm"]))
    by_row = dict(zip(unique, chances, strict=True))
    return np.array([by_row[row] for row in rows])


def _jobs(
    option: Option, steps: Steps, job: np.ndarray, minutes: np.ndarray, chance: np.ndarray, luck: Luck
) -> list[Job]:
    jobs: list[Job] = []
    for name in dict.fromkeys(job):
        own = np.flatnonzero(job == name)
        number = int(name.split()[1]) if name.startswith("build") else 0
        before = tuple(one.name for one in jobs if one.name == ORDER_BEFORE)
        build = option.builds[number - 1] if number else None
        process = steps.process[own[0]]
        stages = tuple(dict.fromkeys(steps.stage[own]))
        by_stage = {stage: own[steps.stage[own] == stage] for stage in stages}
        usual = steps.usual_min
        jobs.append(
            Job(
                name=name,
                machine=build.machine if build else None,
                stages=stages,
                minutes={stage: _sum(minutes, rows) for stage, rows in by_stage.items()},
                touch_share={stage: _share(steps, rows) for stage, rows in by_stage.items()},
                waits=luck.waits_before(process, stages, number),
                failed_at=luck.failed_attempts(chance[number - 1], number) if number else None,
                after=tuple(one.name for one in jobs) if name == ORDER_AFTER else before,
                parts=build.parts if build else 0,
                rides=option.rides,
                usual={stage: float(usual[rows].sum()) for stage, rows in by_stage.items()},
            )
        )
    return jobs


def _sum(minutes: np.ndarray, rows: np.ndarray) -> np.ndarray:
    return minutes[rows[0]] if len(rows) == 1 else np.asarray(minutes[rows].sum(axis=0))


def _share(steps: Steps, rows: np.ndarray) -> float:
    weights = steps.baseline_min[rows]
    return float(steps.touch_share[rows] @ weights / weights.sum())
