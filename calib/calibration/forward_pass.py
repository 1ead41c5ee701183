"""FilterRun through all weeks: what was expected of each run before it was learned, and what is known in the end."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from calib.calibration.checkpoints import Checkpoints, Remembered
from calib.calibration.design import Coded
from calib.calibration.options import Options
from calib.calibration.predict import spread_of_location
from calib.calibration.rows import Rows
from calib.calibration.state import Predictive, State, together
from calib.calibration.weekly import WeeklyPass
from calib.progress import Count


def weeks_of(rows: Rows) -> list[tuple[int, np.ndarray]]:
    """Week numbers and the rows of each, in order.

    Rows: shape (rows of the week,), their places [-].
    """
    numbers, start = np.unique(rows.week, return_index=True)
    bounds = [*start.tolist(), rows.count]
    return [(int(week), np.arange(bounds[i], bounds[i + 1])) for i, week in enumerate(numbers)]


def rows_at(rows: Rows, coded: Coded, at: np.ndarray) -> tuple[Rows, Coded]:
    """The rows ``at`` (consecutive) by themselves.

    at : shape (k,), places of rows that follow each other [-]
    """
    some, parts = rows.take(int(at[0]), int(at[-1]) + 1)
    return some, coded.take(np.arange(parts.start, parts.stop), some.part_row)


WORTH = 0.03  # rows wait for a round of learning until they are this share of those learned,
FEWEST, ENOUGH = 8, 300  # but never for fewer than FEWEST, and never when they are ENOUGH
LARGE = 1000  # effects of a design that is worth a round for ENOUGH rows only


@dataclass(eq=False)
class Expected:
    """One week: its number and rows, the state before it, what that expected, and how the rows came out.

    scores : shape (n,), normal scores of the rows among what was expected; behind : shape (n,), runs of the cell then
    """

    number: int
    at: np.ndarray
    rows: Rows
    state: State
    prediction: Predictive
    scores: np.ndarray
    behind: np.ndarray


@dataclass(eq=False)
class FilterRun:
    """Takes a pass through the weeks of rows. Weeks of few rows are learned together once they are worth a round.

    Iterate over ``weeks()`` to its end; then ``learner`` knows all rows.
    known : rows that a checkpoint knew
    remembered : of each week what was expected of its rows, shape (n,) each: location, tau2, sigma, their score, runs
        behind, tau (spread of the location with build and baseline); stretch, shape (n, levels)
    waiting : number, rows and the prediction for each week that is not learned yet
    """

    learner: WeeklyPass
    rows: Rows
    coded: Coded
    known: int = 0
    remembered: Remembered = field(default_factory=list)
    checkpoints: Checkpoints | None = None
    waiting: list[tuple[int, np.ndarray, Predictive]] = field(default_factory=list)

    def run(self, progress: Count) -> None:
        """Go through all weeks; ``progress`` is called with the rows gone through and all."""
        for week in self.weeks():
            progress(int(week.at[-1]) + 1, self.rows.count)

    def weeks(self) -> Iterator[Expected]:
        """The weeks that no checkpoint knew, each before it is learned."""
        for number, at in weeks_of(self.rows):
            if at[0] >= self.known:
                yield self._expected(number, at)
                if sum(len(at) for _, at, _ in self.waiting) >= self._worth_a_round():
                    self._learn()
        if self.waiting:
            self._learn()

    def _worth_a_round(self) -> float:
        """Rows that a round of learning is worth: its cost goes with the cube of the effects."""
        costly = ENOUGH * (self.learner.design.size / LARGE) ** 3
        return min(max(FEWEST, WORTH * self.learner.rows, costly), ENOUGH)

    def _expected(self, number: int, at: np.ndarray) -> Expected:
        some, coded = rows_at(self.rows, self.coded, at)
        state, prediction = self.learner.predict(number, some, coded)
        scores, behind = self.learner.scores(some, prediction), self.learner.behind(prediction)
        self.remembered.append(
            {
                "location": prediction.location,
                "tau2": prediction.tau2,
                "sigma": prediction.sigma,
                "score": scores,
                "behind": behind,
                "tau": spread_of_location(state, some, prediction),
                "stretch": state.recalibration.of(prediction.cell, prediction.attended),
            }
        )
        self.waiting.append((number, at, prediction))
        return Expected(number, at, some, state, prediction, scores, behind)

    def _learn(self) -> None:
        numbers, at, prediction = zip(*self.waiting, strict=True)
        rows, coded = rows_at(self.rows, self.coded, np.concatenate(at))
        self.learner.update(numbers[-1], rows, coded, together(list(prediction)))
        self.waiting = []
        if self.checkpoints is not None and self.checkpoints.wants(numbers[-1], int(self.rows.week[-1])):
            self.checkpoints.add(self.learner, self.remembered, self.rows, numbers[-1])


def begin(
    rows: Rows, options: Options, checkpoints: Checkpoints | None = None, model: type[WeeklyPass] = WeeklyPass
) -> FilterRun:
    """Ready to go through the weeks of ``rows``, from the newest checkpoint that holds for them."""
    start = checkpoints.newest(rows, options) if checkpoints is not None else None
    learner, remembered = start.learner() if start else (model(options), [])
    if options.priors:
        learner.encoder.number(options.priors)
    learner.encoder.fit(rows)
    coded = learner.encoder.transform(rows)
    return FilterRun(learner, rows, coded, start.rows if start else 0, remembered, checkpoints)


def joined(remembered: Remembered) -> dict[str, np.ndarray]:
    """What was expected of the rows of all weeks, one array for each of its names.

    Each of shape (rows,), as in ``Predictive`` [log], but texts and codes [-].
    """
    return {name: np.concatenate([week[name] for week in remembered]) for name in remembered[0]}
