"""Quantiles of a normal plus a Student-t: what is not known about the level, plus the noise of one run.

Levels are spoken of as normal scores: score -1.2816 is the 10 % quantile. No scipy: a quote must start quickly.
"""

from __future__ import annotations

from functools import lru_cache
from math import lgamma
from statistics import NormalDist

import numpy as np

SCORE_STEP = 0.05
SCORES = np.arange(0.0, 4.0 + SCORE_STEP / 2, SCORE_STEP)  # normal scores of the table, the lower half by symmetry
POINTS = 1 << 16  # of a Student-t that is drawn from
SHARE_COUNT = 65  # steps of tau / (tau + sigma) in the table
_FINE = np.linspace(-9.0, 9.0, 18001)
_DENSITY = np.exp(-0.5 * _FINE**2) / np.sqrt(2 * np.pi)
_CDF = np.concatenate([[0.0], np.cumsum((_DENSITY[1:] + _DENSITY[:-1]) / 2 * np.diff(_FINE))])


def normal_cdf(score: np.ndarray) -> np.ndarray:
    """Probability below a normal score, to 1e-7.

    score : of any shape [-]; returns the same shape, in [0, 1] [-].

    >>> round(float(normal_cdf(np.array(1.959964))), 5)
    0.975
    """
    return np.asarray(np.interp(score, _FINE, _CDF))


def normal_score(level: np.ndarray) -> np.ndarray:
    """Normal score of probabilities in (0, 1).

    level : shape (k,), or one number [-]; returns shape (k,) [-].

    >>> normal_score(np.array([0.1, 0.5])).round(4).tolist()
    [-1.2816, 0.0]
    """
    inverse = NormalDist().inv_cdf
    return np.array([inverse(float(p)) for p in np.atleast_1d(level)])


def _mixing(nu: float) -> tuple[np.ndarray, np.ndarray]:
    """T = N / sqrt(G), G gamma of mean 1: points of log G and their weights, shape (400,) each."""
    log_g = np.linspace(np.log(1e-4), np.log(30.0), 400)
    density = np.exp(nu / 2 * (log_g + np.log(nu / 2)) - nu / 2 * np.exp(log_g) - lgamma(nu / 2))
    return log_g, density / density.sum()


@lru_cache(maxsize=8)
def _points(nu: float) -> np.ndarray:
    """Quantiles of T in the middles of POINTS equal steps of probability."""
    log_g, weight = _mixing(nu)
    reach = np.sinh(np.linspace(0.0, np.arcsinh(200.0), 400))
    below = normal_cdf(reach[:, None] * np.exp(log_g / 2)) @ weight
    upper = np.interp((np.arange(POINTS // 2) + 0.5) / POINTS + 0.5, below, reach)
    return np.concatenate([-upper[::-1], upper])


def draw_t(rng: np.random.Generator, nu: float, shape: tuple[int, ...]) -> np.ndarray:
    """Student-t numbers, each one of POINTS equally likely quantiles: several times as quick as exact ones.

    Returns ``shape`` numbers of scale 1 [-].
    """
    return _points(nu)[rng.integers(0, POINTS, shape, dtype=np.uint16)]


@lru_cache(maxsize=8)
def _table(nu: float) -> np.ndarray:
    """Quantiles of (share N + (1 - share) T) / its root mean square of weights, shape (SHARE_COUNT, len(SCORES))."""
    log_g, weight = _mixing(nu)
    share = np.linspace(0.0, 1.0, SHARE_COUNT)[:, None]
    norm = np.hypot(share, 1 - share)
    sd = np.sqrt((share**2 + (1 - share) ** 2 * np.exp(-log_g)[None]) / norm**2)  # (share, g)
    reach = np.sinh(np.linspace(0.0, np.arcsinh(200.0), 400))
    wanted = normal_cdf(SCORES)
    table = np.empty((SHARE_COUNT, len(SCORES)))
    for i in range(SHARE_COUNT):
        below = normal_cdf(reach[:, None] / sd[i]) @ weight
        table[i] = np.interp(wanted, below, reach)
    table[-1] = SCORES
    return table


def _rows_of_table(tau: np.ndarray, sigma: np.ndarray, nu: float) -> np.ndarray:
    """Table interpolated for each row, in units of the row: shape (n, len(SCORES))."""
    place = tau / np.maximum(tau + sigma, 1e-300) * (SHARE_COUNT - 1)
    low = np.minimum(place.astype(int), SHARE_COUNT - 2)
    part = (place - low)[:, None]
    table = _table(nu)
    return np.asarray((table[low] * (1 - part) + table[low + 1] * part) * np.hypot(tau, sigma)[:, None])


def quantile(score: np.ndarray, tau: np.ndarray, sigma: np.ndarray, nu: float) -> np.ndarray:
    """Quantiles of tau N + sigma T(nu) at normal scores.

    score : shape (n, k) or (k,); tau, sigma : shape (n,), both >= 0 [same unit]; nu : degrees of freedom
    Returns shape (n, k). Scores are held within +-4.

    >>> quantile(np.array([1.2816]), np.array([0.0]), np.array([1.0]), 5.0).round(3).tolist()  # t(5) at 0.9: 1.476
    [[1.476]]
    """
    tau, sigma = np.atleast_1d(tau).astype(float), np.atleast_1d(sigma).astype(float)
    rows = _rows_of_table(tau, sigma, nu)
    score = np.broadcast_to(score, (len(tau), np.shape(score)[-1]))
    place = np.minimum(np.abs(score) / SCORE_STEP, len(SCORES) - 1.0)
    low = np.minimum(place.astype(int), len(SCORES) - 2)
    part = place - low
    at = np.arange(len(tau))[:, None]
    return np.asarray(np.sign(score) * (rows[at, low] * (1 - part) + rows[at, low + 1] * part))


def score_of(value: np.ndarray, tau: np.ndarray, sigma: np.ndarray, nu: float) -> np.ndarray:
    """Normal score of values under tau N + sigma T(nu): the inverse of ``quantile``; within +-4. Shape (n,).

    value, tau, sigma : shape (n,) [log]; scores [-].
    """
    rows = _rows_of_table(np.atleast_1d(tau), np.atleast_1d(sigma), nu)
    size = np.abs(value)
    low = np.clip((rows <= size[:, None]).sum(1) - 1, 0, len(SCORES) - 2)
    at = np.arange(len(size))
    start, end = rows[at, low], rows[at, low + 1]
    part = np.clip((size - start) / np.maximum(end - start, 1e-300), 0.0, 1.0)
    return np.asarray(np.sign(value) * (low + part) * SCORE_STEP)
