"""Proper scores of ranges and distributions (Gneiting and Raftery 2007, JASA 102:359-378), lower is better."""

from __future__ import annotations

from math import ceil, pi, sqrt

import numpy as np

from calib.calibration.normal_plus_t import normal_cdf


def pinball(y: np.ndarray, quantile: np.ndarray, level: float) -> np.ndarray:
    """Pinball score of a quantile.

    >>> float(pinball(1.0, 0.0, 0.4))
    0.4
    """
    off = np.asarray(y) - np.asarray(quantile)
    return np.maximum(level * off, (level - 1) * off)


def interval_score(y: np.ndarray, low: np.ndarray, high: np.ndarray, level: float) -> np.ndarray:
    """Width of a central range, plus 2 / (1 - level) times what it missed.

    >>> round(float(interval_score(2.0, -1.0, 1.0, 0.8)), 9)
    12.0
    """
    y, low, high = (np.asarray(value, float) for value in (y, low, high))
    return (high - low) + 2 / (1 - level) * (np.maximum(low - y, 0) + np.maximum(y - high, 0))


def crps_normal(y: np.ndarray, mean: np.ndarray, sd: np.ndarray) -> np.ndarray:
    """Continuous ranked probability score of a normal forecast."""
    z = (np.asarray(y, float) - mean) / sd
    return sd * (z * (2 * normal_cdf(z) - 1) + 2 * np.exp(-0.5 * z**2) / sqrt(2 * pi) - 1 / sqrt(pi))


def conformal_rank(n: int, level: float) -> int | None:
    """Rank k of n past misses that a new one stays under with probability ``level`` or more; None: no finite one does.

    k = ceil((n + 1) level); coverage is k / (n + 1) exactly where misses do not tie (Vovk et al. 2005).

    >>> conformal_rank(9, 0.9), conformal_rank(8, 0.9)
    (9, None)
    """
    rank = ceil(round((n + 1) * level, 9))  # rounded first: a rank must not hang on 1e-16
    return rank if rank <= n else None


def conformal_in_words(n: int, level: float) -> str:
    """What n misses allow at a level, as a sentence."""
    rank = conformal_rank(n, level)
    needed = ceil(round(level / (1 - level), 9))
    if rank is None:
        return f"no finite range is valid: {n} runs, a {100 * level:g} % range needs {needed}"
    return f"the {rank}. smallest of {n} misses covers {100 * rank / (n + 1):.1f} %"
