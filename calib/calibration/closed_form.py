"""What stands in when the full model cannot be had: weighted means, each shrunk to its parent's, old runs fading.

A cell's location is its process's plus m n / (n + k), with m the mean of what is left, n its faded runs and
k = s2 / v the runs that the parent is worth (v: how much effects differ, s2: noise); the process's likewise around the
lab's, the lab's around 0. This is the posterior mean of a normal model with known variances (Gelman et al. 2013,
'Bayesian data analysis', 3rd ed., eq. 5.17), one level at a time, and needs no system of equations.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.calibration.design import Coded, Design
from calib.calibration.options import Options
from calib.calibration.rows import WEEK_NS, Rows
from calib.calibration.state import SCALE_OFFSET, UNLEARNED_SD, Predictive
from calib.calibration.weekly import WeeklyPass

HALF_LIFE_WEEKS = 8.0
LARGEST_SCORE = 3.0  # sd that one run may be off
SCALE_RUNS = 10.0  # runs that the whole lab's scale is worth to a cell
SMALLEST_VARIANCE = 1e-4


class ClosedForm(WeeklyPass):
    """Learns as ``WeeklyPass`` does, by cell, process and lab alone: no machines, people, materials or sizes.

    sums : shape (cells, 3), faded runs, their y, and their squared misses, as they were expected
    parent : shape (cells,), code of each cell's first group label
    """

    def __init__(self, options: Options) -> None:
        super().__init__(options)
        self.nested = ("whole", *(options.group[:1] if len(options.group) > 1 else ()), "cell")
        self.design.blocks = tuple(block for block in self.design.blocks if block.name in self.nested)
        self.scales.design.blocks = tuple(b for b in self.scales.design.blocks if b.name in ("whole", "cell"))
        for design, variance in ((self.design, self.variance), (self.scales.design, self.scales.variance)):
            variance.update(dict.fromkeys(variance.keys() - {block.name for block in design.blocks}, 0.0))
        self.variance["whole"] = UNLEARNED_SD**2
        self.sums, self.parent = np.zeros((0, 3)), np.zeros(0, np.int64)

    def update(self, number: int, rows: Rows, coded: Coded, before: Predictive) -> None:
        """Learn from the rows of a week (or of a few), of which ``before`` was expected."""
        scores, first = self.scores(rows, before), self.rows == 0
        if first:  # as the full model does: around their own middle
            before = replace(before, location=before.location + np.median(rows.y))
        self.encoder.measure(coded, rows.log_baseline, learn=False)
        self._grow(coded)
        nu = self.options.nu
        sd = np.sqrt(before.tau2 + before.sigma**2 * nu / (nu - 2))
        off = np.clip(rows.y - before.location, -LARGEST_SCORE * sd, LARGEST_SCORE * sd)
        counts = np.where(rows.censored & (off < 0), 0.0, 1.0)
        faded = 0.5 ** (max(int(rows.ended.max()) - self.ended, 0) / WEEK_NS / HALF_LIFE_WEEKS) if self.ended else 1.0
        week = [np.bincount(before.cell, counts * of, len(self.runs)) for of in (1.0, before.location + off, off**2)]
        self.sums = np.vstack([self.sums, np.zeros((len(self.runs) - len(self.sums), 3))]) * faded + np.transpose(week)
        self.parent = np.append(self.parent, np.zeros(len(self.runs) - len(self.parent), np.int64))
        self.parent[coded.codes["cell"]] = coded.codes[self.options.group[0]]
        self.runs = self.runs + np.bincount(before.cell, minlength=len(self.runs))
        self.rows, self.ended, self.change = self.rows + rows.count, int(rows.ended.max()), 0.0
        self._answer()
        if not first:
            self._recalibrate(number, rows, before, scores)

    def _answer(self) -> None:
        """Effects and scales from the sums."""
        runs, total, squares = self.sums.T
        noise2 = max(squares.sum() / max(runs.sum(), 1.0), SMALLEST_VARIANCE)
        keys = {"whole": np.zeros(len(runs), np.int64), "cell": np.arange(len(runs))}
        self.mean, spread, fit = np.zeros(self.design.size), np.zeros(self.design.size), np.zeros(len(runs))
        for name in self.nested:
            column, has = _columns(self.design, name, keys.get(name, self.parent))
            count, left = (
                np.bincount(column[has], values[has], self.design.size) for values in (runs, total - runs * fit)
            )
            at = self.design.columns[name]
            worth = noise2 / self.variance[name]
            self.mean[at], spread[at] = left[at] / (count[at] + worth), noise2 / (count[at] + worth)
            fit = fit + np.where(has, self.mean[column], 0.0)
        self.covariance = np.diag(spread)
        self._scales(runs, squares, noise2)

    def _scales(self, runs: np.ndarray, squares: np.ndarray, noise2: float) -> None:
        design, nu = self.scales.design, self.options.nu
        own = (squares + SCALE_RUNS * noise2) / (runs + SCALE_RUNS)
        self.scales.mean, self.scales.covariance = np.zeros(design.size), np.zeros((design.size, design.size))
        self.scales.mean[design.columns["whole"]] = 0.5 * np.log(noise2 * (nu - 2) / nu) - SCALE_OFFSET
        column, has = _columns(design, "cell", np.arange(len(runs)))
        self.scales.mean[column[has]] = 0.5 * np.log(own / noise2)[has]


def _columns(design: Design, name: str, key: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Column of the effect of each key, and whether it has one."""
    keys = design.keys[name]
    at = np.minimum(np.searchsorted(keys, key), len(keys) - 1)
    return design.columns[name][at], keys[at] == key
