"""When a series changed, by how much, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Z90 = 1.6449  # 95 % point of the normal: a 90 % range
RANGE = 0.9


@dataclass(frozen=True)
class Change:
    """run, low, high : first run after the change, and its 90 % range (indices)
    size, size_low, size_high : shift of log(actual/baseline), and its 90 % range [-]
    """

    run: int
    low: int
    high: int
    size: float
    size_low: float
    size_high: float


def gains(scores: np.ndarray) -> np.ndarray:
    """Twice the log-likelihood gained by one step of the mean before run i, for unit spread; shape (n,), first is 0.

    Summed squares explained by two means (Cobb 1978 used the same scan on the Nile).
    """
    n = len(scores)
    before = np.arange(1, n)
    total = np.cumsum(scores)
    mean_before = total[:-1] / before
    mean_after = (total[-1] - total[:-1]) / (n - before)
    return np.concatenate([[0.0], before * (n - before) / n * (mean_after - mean_before) ** 2])


def change_point(scores: np.ndarray) -> tuple[int, int, int]:
    """Most likely first run after a single step, and the shortest span of runs that holds 90 % of the likelihood."""
    gain = gains(scores)
    best = int(np.argmax(gain))
    weight = np.exp((gain - gain[best]) / 2)
    weight[0] = 0.0
    order = np.argsort(-weight, kind="stable")
    kept = order[: int(np.searchsorted(np.cumsum(weight[order]) / weight.sum(), RANGE)) + 1]
    return best, int(min(kept.min(), best)), int(max(kept.max(), best))


def robust_mean(values: np.ndarray, scale: np.ndarray, clip: float = 1.5) -> tuple[float, float]:
    """Huber's mean of values with known spreads, and its standard error."""
    weight = 1 / scale**2
    centre = float(np.median(values))
    for _ in range(20):
        residual = (values - centre) / scale
        pull = np.clip(residual, -clip, clip) / np.where(residual == 0, 1.0, residual)
        pull[residual == 0] = 1.0
        centre = float(np.sum(weight * pull * values) / np.sum(weight * pull))
    influence = np.clip((values - centre) / scale, -clip, clip) / scale
    slope = np.sum((np.abs(values - centre) < clip * scale) * weight)
    return centre, float(np.sqrt(np.sum(influence**2)) / slope) if slope > 0 else float(np.mean(scale))


def change_size(values: np.ndarray, scale: np.ndarray, run: int) -> tuple[float, float, float]:
    """Shift of the mean at ``run`` with its 90 % range."""
    before, se_before = robust_mean(values[:run], scale[:run])
    after, se_after = robust_mean(values[run:], scale[run:])
    least = float(scale.mean())
    se_before = max(se_before, least / np.sqrt(run))
    se_after = max(se_after, least / np.sqrt(len(values) - run))
    half = Z90 * float(np.hypot(se_before, se_after))
    return after - before, after - before - half, after - before + half
