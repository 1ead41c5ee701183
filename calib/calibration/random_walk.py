"""Levels that walk: each week's level is the last one's plus a heavy-tailed step, so that a jump passes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import lapack

from calib.calibration.arrowhead import factor_of
from calib.calibration.normal_equations import Moments

LEVEL_START = 1e-4  # variance of a walking level at its start: the cell's effect carries the rest
STEP_START = 1e-4  # weekly step variance before any data, worth STEP_WEIGHT cell-weeks to a kind
STEP_WEIGHT = 20.0
STEP_CELL_WEIGHT = 20.0  # cell-weeks that its kind is worth to a cell
SMALLEST_STEP = 1e-7


def _nothing() -> np.ndarray:
    return np.zeros(0)


@dataclass(eq=False)
class Levels:
    """The walking levels of some cells over the weeks of the window.

    cell, kind : shape (k,), code of each level's cell, and whether persons work there
    column : shape (k,), its column in the design, which stands for the level before the window (the base)
    step : shape (k,), variance scale of a weekly step; step_of_kind : shape (2,)
    step_weights : shape (weeks, k), weight of each step, small for a jump
    sums : shape (k, 2), weighted squares and number of the steps that have left the window
    numbers : the base's week and those of the window
    """

    cell: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    kind: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    column: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    step: np.ndarray = field(default_factory=_nothing)
    step_of_kind: np.ndarray = field(default_factory=lambda: np.full(2, STEP_START))
    step_weights: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))
    sums: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))
    numbers: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))

    @property
    def count(self) -> int:
        return len(self.cell)

    @property
    def weeks(self) -> int:
        return len(self.step_weights)

    def add(self, cell: np.ndarray, kind: np.ndarray, column: np.ndarray) -> None:
        """Let the levels of these cells walk from now on.

        cell, kind, column : shape (k,), codes of cells, of their kinds, and columns of the design [-]
        """
        self.cell, self.kind = np.append(self.cell, cell), np.append(self.kind, kind)
        self.column = np.append(self.column, column)
        self.step = np.append(self.step, self.step_of_kind[kind])
        self.sums = np.vstack([self.sums, np.zeros((len(cell), 2))])
        self.step_weights = np.hstack([self.step_weights, np.ones((self.weeks, len(cell)))])

    def open_week(self, number: int, step_weights: np.ndarray) -> None:
        """Add a week to the window.

        step_weights : shape (k,), of the steps into that week [-]
        """
        if not len(self.numbers):
            self.numbers = np.array([number - 1])
        self.numbers = np.append(self.numbers, number)
        self.step_weights = np.vstack([self.step_weights, step_weights[None]])

    def gaps(self) -> np.ndarray:
        """Weeks that each step takes, shape (weeks, 1).

        In weeks [weeks].
        """
        return np.maximum(np.diff(self.numbers), 1)[:, None]

    def nodes(self, p: int) -> np.ndarray:
        """Parameter of each level in the base and in each week, after ``p`` other ones: shape (weeks + 1, k).

        Places of parameters [-].
        """
        copies = p + np.arange(self.weeks)[:, None] * self.count + np.arange(self.count)
        return np.vstack([self.column[None], copies])

    def add_priors(self, information: np.ndarray, p: int) -> None:
        """Add what is known of the steps to the normal equations.

        information : shape (p + weeks * k, p + weeks * k), changed in place [1/log^2]; p : number of other parameters
        """
        nodes, precision = self.nodes(p), self.step_weights / (self.gaps() * self.step)
        for before, after, known in zip(nodes[:-1], nodes[1:], precision, strict=True):
            information[before, before] += known
            information[after, after] += known
            information[before, after] -= known
            information[after, before] -= known

    def learn(self, mean: np.ndarray, covariance: np.ndarray, p: int, nu: float | None) -> None:
        """Weigh the window's steps anew, and learn their variances. nu : of the steps; None for a normal law.

        mean : shape (p + weeks * k,), of all parameters [log]; covariance : of these [log^2]
        """
        if not self.count:
            return
        squares = self._squares(mean, covariance, p)
        if nu is not None:
            self.step_weights = (nu + 1) / (nu + squares / self.step)
        sums = (
            np.column_stack([(self.step_weights * squares).sum(0), np.full(self.count, float(self.weeks))]) + self.sums
        )
        for k in (0, 1):
            total = sums[self.kind == k].sum(0)
            self.step_of_kind[k] = (total[0] + STEP_WEIGHT * STEP_START) / (total[1] + STEP_WEIGHT)
        own = sums[:, 0] + STEP_CELL_WEIGHT * self.step_of_kind[self.kind]
        self.step = np.maximum(own / (sums[:, 1] + STEP_CELL_WEIGHT), SMALLEST_STEP)

    def _squares(self, mean: np.ndarray, covariance: np.ndarray, p: int) -> np.ndarray:
        """Expected square of each step for each week that it takes, shape (weeks, k)."""
        nodes = self.nodes(p)
        value, diagonal = mean[nodes], np.diag(covariance)[nodes]
        cross = covariance[nodes[1:], nodes[:-1]]
        return np.asarray(
            (np.diff(value, axis=0) ** 2 + np.maximum(diagonal[1:] + diagonal[:-1] - 2 * cross, 0.0)) / self.gaps()
        )

    def close_week(self, mean: np.ndarray, covariance: np.ndarray, frozen: Moments, p: int) -> Moments:
        """Take the oldest week out of the window: the base moves to it. ``frozen`` with the old base integrated out.

        mean : shape (p + weeks * k,), of all parameters [log]; covariance : of these [log^2]
        """
        if self.count:
            squares = self._squares(mean, covariance, p)[0]
            self.sums = self.sums + np.column_stack([self.step_weights[0] * squares, np.ones(self.count)])
            frozen = self._moved(frozen, self.step_weights[0] / (self.gaps()[0] * self.step))
        self.numbers, self.step_weights = self.numbers[1:], self.step_weights[1:]
        return frozen

    def _moved(self, frozen: Moments, precision: np.ndarray) -> Moments:
        """With base b, its step of this ``precision`` D to the next week's level, and all else o, integrating b out leaves

        F_oo - F_ob S F_bo for the others,  F_ob S D beside the next level, and D - D S D for it, where S = (F_bb + D)^-1
        """
        p, base = len(frozen.vector), self.column
        step, beside = np.diag(precision), frozen.information[base]
        factor = factor_of(beside[:, base] + step)
        solved, _ = lapack.dpotrs(factor, np.column_stack([beside, frozen.vector[base], step]), lower=1)
        information = frozen.information - beside.T @ solved[:, :p]
        vector = frozen.vector - beside.T @ solved[:, p]
        cross = beside.T @ solved[:, p + 1 :]
        information[:, base], information[base] = cross, cross.T
        information[np.ix_(base, base)] = step - precision[:, None] * solved[:, p + 1 :]
        vector[base] = precision * solved[:, p]
        return Moments(information, vector, frozen.rows)
