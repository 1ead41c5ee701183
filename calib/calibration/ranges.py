"""Predictive quantiles of single rows, in minutes."""

from __future__ import annotations

import numpy as np

from calib.calibration.normal_plus_t import normal_score, quantile
from calib.calibration.rows import Rows
from calib.calibration.state import UNLEARNED_SD, Predictive, State


def spread_of_location(state: State, rows: Rows, expected: Predictive) -> np.ndarray:
    """Sd of what is not known of a row's location: effects, the build's share, and the baseline itself.

    A cell with few runs is not narrower than its prior says: of the gap to ``prior_sd`` the part 1 / (1 + runs) stays.
    """
    tau2 = expected.tau2 + state.build_variance * expected.load**2 * (rows.build >= 0)
    nu = state.options.nu
    noise2 = expected.sigma**2 * nu / (nu - 2)
    prior2 = np.where(np.isfinite(rows.prior_sd), rows.prior_sd, 0.0) ** 2
    if not state.runs.sum():
        prior2 = np.where(np.isfinite(rows.prior_sd), rows.prior_sd, UNLEARNED_SD) ** 2
        return np.sqrt(prior2)
    return np.sqrt(tau2 + np.maximum(prior2 - tau2 - noise2, 0.0) / (1 + runs_behind(state, expected)))


def noise_scale(state: State, expected: Predictive) -> np.ndarray:
    """Scale of each row's own noise; before any log all of the prior's spread is that of the location."""
    return expected.sigma if state.runs.sum() else np.full(len(expected.sigma), 1e-6)


def runs_behind(state: State, expected: Predictive) -> np.ndarray:
    """Runs learned of each row's cell."""
    known = (expected.cell >= 0) & (expected.cell < len(state.runs))
    return np.where(known, np.append(state.runs, 0.0)[np.where(known, expected.cell, len(state.runs))], 0.0)


def row_quantiles(state: State, rows: Rows, expected: Predictive, levels: np.ndarray) -> np.ndarray:
    """Quantiles of each row's minutes, never below its floor, shape (rows, levels) [min]."""
    tau, sigma = spread_of_location(state, rows, expected), noise_scale(state, expected)
    score = state.recalibration.stretched(normal_score(levels), expected.cell, expected.attended)
    log_ratio = expected.location[:, None] + quantile(score, tau, sigma, state.options.nu)
    return np.maximum(rows.baseline_min[:, None] * np.exp(log_ratio), rows.floor_min[:, None])
