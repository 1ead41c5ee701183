"""The noise's own scale, by cell, size and person: a second, smaller design on its logarithm."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calib.calibration.design import Coded, Design, prior_precision
from calib.calibration.normal_equations import Moments, accumulate, solve_and_invert, sparse_rows
from calib.calibration.options import Options
from calib.calibration.robust import share_of_spread, t_weight
from calib.calibration.state import SCALE_OFFSET, SMALLEST_SIGMA
from calib.calibration.variances import next_variances
from calib.calibration.window import Window

FORGET = 0.5 ** (1 / 52)  # weekly: scales change slowly
LARGEST_SCORE = 4.0  # one row's say in the scale
AS_PLANNED = 1e-9  # of log(actual / baseline), either way: the plan was copied, which says nothing of the noise


@dataclass(eq=False)
class Scales:
    """What is known of the scale: posterior of its effects, their variances, sums of weeks that left the window."""

    options: Options
    design: Design
    variance: dict[str, float]
    mean: np.ndarray = field(default_factory=lambda: np.zeros(0))
    covariance: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))
    frozen: Moments = field(default_factory=lambda: Moments(np.zeros((0, 0)), np.zeros(0)))

    def grow(self, coded: Coded) -> None:
        """Make room for effects that a week brings."""
        self.design.admit(coded)
        self.frozen = self.frozen.padded(self.design.size)

    def sigma2(self, window: Window) -> np.ndarray:
        """Variance scale of each row's own noise.

        Returns shape (rows,) [log^2].
        """
        row, column, value, _ = window.scale
        effect = np.append(self.mean, np.zeros(self.design.size - len(self.mean)))[column]
        log_sigma = np.bincount(row, value * effect, window.count)
        return np.asarray(
            np.exp(2 * (log_sigma + SCALE_OFFSET + window.offset)) + SMALLEST_SIGMA**2 + window.width**2 / 12
        )

    def moments(self, window: Window, clean: np.ndarray, sigma2: np.ndarray) -> Moments:
        """Fisher scoring of the log scale: score w e^2 - 1, information 2 nu / (nu + 3) a row.

        clean : shape (rows,), weight of each row, less where it is an outlier [-]; sigma2 : shape (rows,), variance of their noise [log^2]
        """
        nu, robust = self.options.nu, self.options.robust
        row, column, value, _ = window.scale
        design = sparse_rows(row, column, value, (window.count, self.design.size))
        per_row = 2 * nu / (nu + 3) if robust else 2.0
        square = (window.residual**2 + (share_of_spread(nu) if robust else 1.0) * window.spread2) / sigma2
        score = np.minimum(t_weight(square, nu) * square - 1, LARGEST_SCORE) if robust else square - 1
        own = 0.5 * np.log(np.maximum(sigma2 - window.width**2 / 12, SMALLEST_SIGMA**2)) - SCALE_OFFSET - window.offset
        silent = window.censored | (np.abs(window.y) < AS_PLANNED)
        return accumulate(design, own + score / per_row, np.where(silent, 0.0, per_row * clean))

    def learn(self, window: Window, clean: np.ndarray, sigma2: np.ndarray) -> None:
        """One step towards the scales that make the window's residuals most likely, and of how much they differ.

        clean, sigma2 : as for ``moments``, shape (rows,) [-], [log^2]
        """
        moments = self.moments(window, clean, sigma2) + self.frozen
        at = np.arange(self.design.size)
        precision = prior_precision(self.design, self.variance)
        moments.information[at, at] += precision
        vector = moments.vector + precision * self.design.centre
        self.mean, self.covariance = solve_and_invert(moments.information, vector)
        self.variance = next_variances(self.design, self.mean, self.covariance, self.variance)

    def close_week(self, oldest: Window, clean: np.ndarray, sigma2: np.ndarray) -> None:
        """Sum up the oldest week of the window for good.

        clean : shape (rows,), weight of each row, less where it is an outlier [-]; sigma2 : shape (rows,), variance of their noise [log^2]
        """
        old = Moments(self.frozen.information * FORGET, self.frozen.vector * FORGET, self.frozen.rows)
        self.frozen = old + self.moments(oldest, clean, sigma2)
