"""Scores of ranges: pinball loss, interval scores, the rank of a conformal range; the levels at which they are taken."""

from __future__ import annotations

from math import ceil

import numpy as np

LEVELS = (0.025, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.975)
CENTRAL = {"50": (0.25, 0.75), "80": (0.1, 0.9), "90": (0.05, 0.95), "95": (0.025, 0.975)}


def pinball(y: np.ndarray, quantile: np.ndarray, level: float | np.ndarray) -> np.ndarray:
    """Pinball score of a quantile.

    y, quantile : of one shape, or shapes that broadcast, in one unit [any]; level : in (0, 1), of a shape that broadcasts. Returns their
    shape, same unit.

    >>> float(pinball(1.0, 0.0, 0.4))
    0.4
    """
    off = np.asarray(y) - np.asarray(quantile)
    return np.asarray(np.maximum(level * off, (level - 1) * off))


def weighted_interval_score(y: np.ndarray, quantiles: np.ndarray, levels: np.ndarray) -> np.ndarray:
    """Twice the mean pinball score of a row's quantiles, shape (n,): about its CRPS (Bracher et al. 2021, PLOS
    Computational Biology 17:e1008618). y : shape (n,); quantiles : shape (n, k); levels : shape (k,)
    All in one unit [any], which the score has too.
    """
    return np.asarray(2 * pinball(np.asarray(y)[:, None], quantiles, levels).mean(axis=1))


def interval_score(y: np.ndarray, low: np.ndarray, high: np.ndarray, level: float) -> np.ndarray:
    """Width of a central range, plus 2 / (1 - level) times what it missed.

    y, low, high : shape (n,), in one unit [any]; returns shape (n,), same unit.

    >>> round(float(interval_score(2.0, -1.0, 1.0, 0.8)), 9)
    12.0
    """
    y, low, high = (np.asarray(value, float) for value in (y, low, high))
    return np.asarray((high - low) + 2 / (1 - level) * (np.maximum(low - y, 0) + np.maximum(y - high, 0)))


def conformal_rank(n: int, level: float) -> int | None:
    """Rank k of n past misses that a new one stays under with probability ``level`` or more; None: no finite one does.

    k = ceil((n + 1) level); coverage is k / (n + 1) exactly where misses do not tie (Vovk et al. 2005).

    >>> conformal_rank(9, 0.9), conformal_rank(8, 0.9)
    (9, None)
    """
    rank = ceil(round((n + 1) * level, 9))  # rounded first: a rank must not hang on 1e-16
    return rank if rank <= n else None
