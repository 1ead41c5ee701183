"""The chart: a pair of cumulative sums on clipped scores, set back to zero after each alarm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SLACK = 0.25  # [sd] measured best for small lasting shifts on heavy-tailed runs; bench/bench_drift.py


@dataclass(frozen=True)
class Alarm:
    """run : index at which the chart crossed its limit
    from_run : first run after the chart last stood at zero: a first guess of the change
    sign : +1 slower, -1 quicker
    """

    run: int
    from_run: int
    sign: int


def cusum_path(scores: np.ndarray, k: float) -> np.ndarray:
    """One-sided tabular CUSUM, S = max(0, S + score - k) (Page 1954), shape (n,) [sd].

    >>> cusum_path(np.array([1.0, -1.0, 2.0, 2.0]), 0.5).tolist()
    [0.5, 0.0, 1.5, 3.0]
    """
    total = np.cumsum(scores - k)
    return total - np.minimum.accumulate(np.minimum(total, 0.0))


def find_alarms(scores: np.ndarray, k: float, h: float) -> list[Alarm]:
    """Every alarm of the two-sided chart; both sums start again from zero after each."""
    alarms, start = [], 0
    while start < len(scores):
        found = first_alarm(scores[start:], k, h)
        if found is None:
            break
        alarms.append(Alarm(found.run + start, found.from_run + start, found.sign))
        start = alarms[-1].run + 1
    return alarms


def first_alarm(scores: np.ndarray, k: float, h: float) -> Alarm | None:
    found = []
    for sign in (1, -1):
        path = cusum_path(sign * scores, k)
        over = np.flatnonzero(path > h)
        if len(over):
            at_zero = np.flatnonzero(path[: over[0]] == 0)
            found.append(Alarm(int(over[0]), int(at_zero[-1]) + 1 if len(at_zero) else 0, sign))
    return min(found, key=lambda alarm: alarm.run, default=None)
