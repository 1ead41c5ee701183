"""Options -> jobs: the minutes of every stage of every build, drawn jointly, ready to go through the calendar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.quoting.common_random_numbers import CommonRandomNumbers
from calib.quoting.options import Option
from calib.quoting.schedule import SPENT_ON_FAILURE, Job
from calib.quoting.steps import ORDER_AFTER, ORDER_BEFORE, PredictionCache, Steps

LONGEST_MIN = (
    100 * 24 * 60.0
)  # the log of a longer run is set aside; one draw of thousands beyond it stopped every quote


@dataclass(eq=False)
class Work:
    """One option's work.

    steps : the stages of all jobs, arrays of length n; place : name of a job -> where its steps stand
    minutes : shape (n, draws), floors kept [min]
    jobs : what is done for the order before, the builds, what is done for the order after
    failure_chance : of each build [0..1]
    """

    option: Option
    steps: Steps
    place: dict[str, slice]
    minutes: np.ndarray
    jobs: list[Job]
    failure_chance: np.ndarray

    @property
    def route(self) -> tuple[str, ...]:
        """Stages, each once, in order."""
        return tuple(dict.fromkeys(self.steps.stage))

    @property
    def stages_by_process(self) -> list[tuple[str, str]]:
        """Process and stage, each pair once, in order."""
        return list(dict.fromkeys(zip(self.steps.process, self.steps.stage, strict=True)))

    def spend_failures(self) -> None:
        """Add to the minutes what failed attempts took: once all has run through the calendar, which knows of them."""
        for job in self.jobs:
            failed_at = job.failed_at if job.failed_at is not None else np.zeros((0, self.minutes.shape[1]))
            times, printed = (failed_at > 0).sum(axis=0), failed_at.sum(axis=0)
            failed = np.flatnonzero(times)
            for row in range(self.place[job.name].start, self.place[job.name].stop):
                if len(failed) and self.steps.stage[row] in SPENT_ON_FAILURE:
                    again = printed if self.steps.stage[row] == "printing" else times
                    self.minutes[row, failed] *= 1 + again[failed]

    @property
    def touch(self) -> np.ndarray:
        """Minutes of hands, shape (n, draws)."""
        return np.asarray(self.minutes * self.steps.touch_share[:, None])


def plan_work(options: Sequence[Option], cache: PredictionCache, random_numbers: CommonRandomNumbers) -> list[Work]:
    """Work of every option; the physics and the calibrator are asked once for all of them."""
    for option in options:
        cache.want(option)
    cache.answer(random_numbers)
    return [_draw(option, cache, random_numbers) for option in options]


def _draw(option: Option, cache: PredictionCache, random_numbers: CommonRandomNumbers) -> Work:
    tasks = cache.tasks(option)
    rows = [list(cache.rows(option, task)) for task in tasks]
    steps = cache.steps([row for own in rows for row in own])
    ends = np.cumsum([len(own) for own in rows]).tolist()
    place = {task.name: slice(end - len(own), end) for task, own, end in zip(tasks, rows, ends, strict=True) if own}
    minutes = np.empty((len(steps), random_numbers.draws))
    for name, own in place.items():
        for row in range(own.start, own.stop):
            scores = random_numbers.score_index(steps.process[row], name, steps.stage[row])
            scores.minutes(steps.log_quantiles[row], steps.slopes[row], out=minutes[row])
    np.minimum(minutes, np.maximum(steps.usual_min, LONGEST_MIN)[:, None], out=minutes)
    np.maximum(minutes, np.nan_to_num(steps.floor_min)[:, None], out=minutes)
    for name, own in place.items():
        for row in range(own.start, own.stop):
            random_numbers.again(steps.process[row], name, steps.stage[row], out=minutes[row])
    chance = failure_chances(option, random_numbers)
    return Work(option, steps, place, minutes, _jobs(option, steps, place, minutes, chance, random_numbers), chance)


def failure_chances(option: Option, random_numbers: CommonRandomNumbers) -> np.ndarray:
    """Chance of each build to fail, shape (builds,) [0..1]."""
    first = [option.piece_of(build) for build in option.builds]
    return np.array(
        [
            random_numbers.failure_chance(piece.process, build.machine, piece.material, piece.shape.size_mm[2])
            for piece, build in zip(first, option.builds, strict=True)
        ]
    )


def _jobs(
    option: Option,
    steps: Steps,
    place: dict[str, slice],
    minutes: np.ndarray,
    chance: np.ndarray,
    random_numbers: CommonRandomNumbers,
) -> list[Job]:
    jobs: list[Job] = []
    for name, own in place.items():
        number = int(name.split()[1]) if name.startswith("build") else 0
        build = option.builds[number - 1] if number else None
        by_stage: dict[str, list[int]] = {}
        for row, stage in enumerate(steps.stage[own], own.start):
            by_stage.setdefault(stage, []).append(row)
        after: tuple[str, ...] = (ORDER_BEFORE,) if ORDER_BEFORE in place and number else ()
        if name == ORDER_AFTER:
            after = tuple(one.name for one in jobs)
        last = next((one.stages[-1] for one in jobs if one.name in after[-1:]), "")
        jobs.append(
            Job(
                name=name,
                machine=build.machine if build else None,
                stages=tuple(by_stage),
                minutes={stage: _sum(minutes, rows) for stage, rows in by_stage.items()},
                touch_share={stage: _share(steps, rows) for stage, rows in by_stage.items()},
                waits=random_numbers.waits_before(steps.process[own.start], tuple(by_stage), number, last),
                failed_at=random_numbers.failed_attempts(chance[number - 1], number) if number else None,
                after=after,
                parts=build.parts if build else 0,
                in_shared_build=option.in_shared_build,
                dry_at=random_numbers.learned.dry_at(build.machine, float(steps.fillings[own].max(initial=0.0)))
                if build
                else (),
                usual={stage: float(steps.usual_min[rows].sum()) for stage, rows in by_stage.items()},
            )
        )
    return jobs


def _sum(minutes: np.ndarray, rows: list[int]) -> np.ndarray:
    return minutes[rows[0]] if len(rows) == 1 else np.asarray(minutes[rows].sum(axis=0))


def _share(steps: Steps, rows: list[int]) -> float:
    if len(rows) == 1:
        return float(steps.touch_share[rows[0]])
    return float(np.average(steps.touch_share[rows], weights=steps.baseline_min[rows]))
