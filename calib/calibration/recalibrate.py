"""Quantiles corrected by what recent ranges missed: cell, then kind of work, then all, backing off when small."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calib.calibration.normal_plus_t import normal_score

LEVELS = np.array([0.5, 0.8, 0.9, 0.95])  # central levels at which ranges are checked
NOMINAL = normal_score((1 + LEVELS) / 2)
HALF_LIFE_WEEKS = 10.0
KEEP_WEEKS = 60
BACKING = 60.0  # rows that a parent is worth to its child
GROSS = 3.3  # normal scores beyond this are gross errors: no range is widened for them


@dataclass(eq=False)
class Recalibration:
    """Stretch of the range at LEVELS, by cell code, for each kind, and for all.

    A stretch k maps the normal score z of a quantile to k z, so that it holds for any level and for draws.
    """

    whole: np.ndarray = field(default_factory=lambda: np.ones(len(LEVELS)))
    kinds: np.ndarray = field(default_factory=lambda: np.ones((2, len(LEVELS))))
    cells: np.ndarray = field(default_factory=lambda: np.ones((0, len(LEVELS))))

    def of(self, cell: np.ndarray, attended: np.ndarray) -> np.ndarray:
        """Stretch of each row at LEVELS, shape (n, len(LEVELS)).

        cell, attended : shape (n,), codes [-]; stretch is a factor [-].
        """
        known = (cell >= 0) & (cell < len(self.cells))
        table = np.vstack([self.cells, np.ones(len(LEVELS))])
        return np.where(known[:, None], table[np.where(known, cell, len(self.cells))], self.kinds[attended])

    def stretched(self, score: np.ndarray, cell: np.ndarray, attended: np.ndarray) -> np.ndarray:
        """Normal scores (k,) of quantiles -> corrected ones for each row, shape (n, k).

        Scores have no unit [-].
        """
        return stretched_scores(score, self.of(cell, attended))


@dataclass(eq=False)
class Misses:
    """Normal scores of recent runs among what was expected of them, and what they say about the ranges."""

    week: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    cell: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    attended: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    size: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def add(self, week: int, cell: np.ndarray, attended: np.ndarray, score: np.ndarray) -> None:
        """Add a week's runs and forget those of long ago; gross errors are left out.

        cell, attended : shape (n,), codes [-]; score : shape (n,), normal scores of the runs among what was expected [-]
        """
        good = np.abs(score) < GROSS
        self.week = np.concatenate([self.week, np.full(int(good.sum()), week)])
        self.cell = np.concatenate([self.cell, cell[good]])
        self.attended = np.concatenate([self.attended, attended[good]])
        self.size = np.concatenate([self.size, np.abs(score[good])])
        recent = self.week > week - KEEP_WEEKS
        self.week, self.cell = self.week[recent], self.cell[recent]
        self.attended, self.size = self.attended[recent], self.size[recent]

    def learned(self, cells: int, kind_of_cell: np.ndarray) -> Recalibration:
        """The correction for ``cells`` cells.

        kind_of_cell : shape (cells,), code of the kind of each [-]
        """
        if not len(self.size):
            return Recalibration(cells=np.ones((cells, len(LEVELS))))
        weight = 0.5 ** ((self.week.max() - self.week) / HALF_LIFE_WEEKS)
        one = np.ones(len(LEVELS))
        whole = _stretch(self.size, weight, one)
        kinds = np.array([_stretch(self.size[s], weight[s], whole) for s in (self.attended == 0, self.attended == 1)])
        order = np.argsort(self.cell, kind="stable")
        bounds = np.searchsorted(self.cell[order], np.arange(cells + 1))
        table = kinds[kind_of_cell]
        for cell in range(cells):
            here = order[bounds[cell] : bounds[cell + 1]]
            table[cell] = _stretch(self.size[here], weight[here], table[cell])
        return Recalibration(whole, kinds, table)


def stretched_scores(score: np.ndarray, stretch: np.ndarray) -> np.ndarray:
    """Normal scores (k,) of quantiles -> corrected ones for rows of ``stretch`` (n, len(LEVELS)), shape (n, k).

    Scores and stretch have no unit [-].
    """
    size = np.abs(score)
    table = np.column_stack([np.zeros(len(stretch)), stretch * NOMINAL])
    table = np.maximum.accumulate(table, axis=1)
    nodes = np.concatenate([[0.0], NOMINAL])
    place = np.clip(np.searchsorted(nodes, size) - 1, 0, len(NOMINAL) - 1)
    part = (size - nodes[place]) / (nodes[place + 1] - nodes[place])
    inside = table[:, place] * (1 - part) + table[:, place + 1] * part
    beyond = table[:, -1:] * (size / NOMINAL[-1])
    return np.asarray(np.sign(score) * np.where(size > NOMINAL[-1], beyond, inside))


def _stretch(size: np.ndarray, weight: np.ndarray, parent: np.ndarray) -> np.ndarray:
    """Weighted quantiles of |score| over what they should be, shrunk (on the log) towards the parent's."""
    n = weight.sum()
    if len(size) < 6:
        return parent
    order = np.argsort(size)
    below = np.cumsum(weight[order])
    rank = np.minimum(LEVELS * (n + weight.mean()), n)
    found = size[order][np.minimum(np.searchsorted(below, rank), len(size) - 1)]
    own = np.log(np.maximum(found / NOMINAL, 0.1))
    return np.asarray(np.exp((n * own + BACKING * np.log(parent)) / (n + BACKING)))
