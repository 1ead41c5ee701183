"""What would narrow a range most: more runs of what, and how much of it no number of runs takes away."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from calib.calibration.joint import effect_covariance
from calib.calibration.normal_plus_t import normal_score, quantile
from calib.calibration.ranges import runs_behind
from calib.calibration.rows import Rows
from calib.calibration.state import UNLEARNED_SD, Predictive, State

EDGE = normal_score(np.array([0.9]))  # upper end of the 80 % ranges that are compared
FACTORS = ("machine", "station", "material")
EVER = 1e9  # runs without end


def narrowing(state: State, rows: Rows, expected: Predictive, more: int, by: tuple[str, ...] = FACTORS) -> pd.DataFrame:
    """How wide the range of typical runs is now, and how wide it would be after ``more`` runs of what.

    rows : typical runs of one cell; expected : what the state expects of them; more : runs to come, 1 or more
    by : factors whose values are tried one by one, where there are several
    The noise of single runs is taken as it is thought to be now: what more runs teach about that comes on top.
    Returns by ('all' for runs like these), value, more, now_pct, then_pct, least_pct, narrowest first: the half-width
    of the 80 % range as a percentage (a factor of 1.4 either way is 40), now, then, and with runs without end.
    """
    covariance = effect_covariance(state, expected, rows.count)
    drift2 = np.maximum(expected.tau2 - np.diag(covariance), 0.0)
    now, least = (
        _half_width(state, rows, expected, k * np.diag(covariance) + drift2, m) for k, m in ((1, 0), (0, EVER))
    )
    found = []
    for factor, value, at in _candidates(rows, by):
        later = np.diag(after_more(covariance, _noise_of_mean(state, expected), at, more))
        found.append((factor, value, more, now, _half_width(state, rows, expected, later + drift2, more), least))
    table = pd.DataFrame(found, columns=["by", "value", "more", "now_pct", "then_pct", "least_pct"])
    return table.sort_values("then_pct", kind="stable", ignore_index=True)


def after_more(covariance: np.ndarray, noise2: np.ndarray, at: np.ndarray, more: float) -> np.ndarray:
    """Covariance of locations after ``more`` runs, spread evenly over rows like those at ``at``.

    covariance : shape (n, n) of the rows' locations; noise2 : shape (n,), variance of one run around its location
    K' = K - K_S (R + K_SS)^-1 K_S', the posterior of a linear model (Rasmussen and Williams 2006, 'Gaussian processes
    for machine learning', eq. 2.24), with the noise R of a mean over the runs of each row.

    One location known to a variance of 4, five runs of variance 10: 1 / (1/4 + 5/10)

    >>> float(after_more(np.array([[4.0]]), np.array([10.0]), np.array([0]), 5).round(4)[0, 0])
    1.3333
    """
    noise = np.diag(noise2[at] * len(at) / more)
    solved = np.linalg.solve(covariance[np.ix_(at, at)] + noise, covariance[at])
    return np.asarray(covariance - covariance[:, at] @ solved)


def _candidates(rows: Rows, by: tuple[str, ...]) -> Iterator[tuple[str, str, np.ndarray]]:
    yield "all", "", np.arange(rows.count)
    for factor in by:
        labels = rows.labels[factor][np.searchsorted(rows.part_row, np.arange(rows.count))]
        values = sorted({value for value in labels if value is not None})
        for value in values if len(values) > 1 else ():
            yield factor, value, np.flatnonzero(labels == value)


def _noise_of_mean(state: State, expected: Predictive) -> np.ndarray:
    """What one run's own noise and its build hide of its location: one over the Student-t's Fisher information."""
    nu = state.options.nu
    return expected.sigma**2 * (nu + 3) / (nu + 1) + state.build_variance * expected.load**2


def _half_width(state: State, rows: Rows, expected: Predictive, tau2: np.ndarray, more: float) -> float:
    """Half-width of the rows' ranges, in per cent, given the variance of what is not known of their locations."""
    nu = state.options.nu
    noise2 = expected.sigma**2 * nu / (nu - 2)
    if not state.runs.sum():
        prior2 = np.where(np.isfinite(rows.prior_sd), rows.prior_sd, UNLEARNED_SD) ** 2
        noise2 = np.minimum(noise2, prior2)
        sd = np.sqrt((prior2 - noise2) / (1 + more) + noise2)
        return float(100 * np.expm1((EDGE * sd).mean()))
    tau2 = tau2 + state.build_variance * expected.load**2 * (rows.build >= 0)
    prior2 = np.where(np.isfinite(rows.prior_sd), rows.prior_sd, 0.0) ** 2
    gap = np.maximum(prior2 - tau2 - noise2, 0.0)
    tau = np.sqrt(tau2 + gap / (1 + runs_behind(state, expected) + more))
    edge = state.recalibration.stretched(EDGE, expected.cell, expected.attended)
    return float(100 * np.expm1(quantile(edge, tau, expected.sigma, nu).mean()))
