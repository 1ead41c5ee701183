"""Charts that others use, and how long they run before they signal: CUSUM, EWMA, weekly discoveries, a detector that knows the law.

E. S. Page, "Continuous inspection schemes", Biometrika 41 (1954) 100-115; D. Brook and D. A. Evans, "An approach to the
probability distribution of cusum run length", Biometrika 59 (1972) 539-549.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

STATES = 160


def cusum_run_length(scores: np.ndarray, k: float, h: float, states: int = STATES) -> float:
    """Average run length of the one-sided chart S = max(0, S + score - k), alarm at S > h.

    scores : shape (n,), a sample of the score's distribution [sd]
    k, h : slack and limit [sd]
    Returns runs until the first alarm, from S = 0 [runs]; infinity where no score can ever raise the chart to h.
    """
    width = h / (states - 0.5)
    move = np.arange(-states, states + 1)
    # share of scores that move the chart by j states (states are centred on j * width)
    edges = (move[:-1] + 0.5) * width
    below = np.searchsorted(np.sort(scores - k), edges, side="right") / len(scores)
    step = np.diff(below, prepend=0.0, append=1.0)
    chain = np.empty((states, states))
    for i in range(states):
        chain[i] = step[states - i : 2 * states - i]
        chain[i, 0] = below[states - i]  # everything at or below zero
    try:
        return float(np.linalg.solve(np.eye(states) - chain, np.ones(states))[0])
    except np.linalg.LinAlgError:
        return float("inf")


LIMITS = np.array([1, 2, 3.5, 5, 7, 9.5, 12.5, 16, 20])


def log_run_lengths(scores: np.ndarray, k: float) -> np.ndarray:
    """Logarithm of the run length at each of LIMITS, never falling."""
    return np.maximum.accumulate(np.log([cusum_run_length(scores, k, h) for h in LIMITS]))


def limit_for(run_length: float, logs: np.ndarray) -> float:
    """Limit h at which the one-sided chart runs ``run_length`` runs on average before it signals.

    The logarithm of the run length is nearly linear in h: interpolated between LIMITS, and never beyond the last.
    """
    return float(np.interp(np.log(run_length), logs, LIMITS))


@dataclass(frozen=True)
class Alarm:
    """run : index at which it crossed; from_run : first run after it last stood at zero; sign : +1 up, -1 down"""

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


def ewma_path(values: np.ndarray, start: float, weight: float) -> np.ndarray:
    """Exponentially weighted moving average, z = weight * x + (1 - weight) * z (Roberts 1959), shape (n,)."""
    path, z = np.empty(len(values)), start
    for i, x in enumerate(values):
        z = weight * x + (1 - weight) * z
        path[i] = z
    return path


def ewma_run_length(weight: float, limit: float, shift: float, nodes: int = 81) -> float:
    """Average run length of a two-sided EWMA chart of normal values, alarm beyond limit * its long-run sd.

    The integral equation of S. V. Crowder, Technometrics 29 (1987) 401-407, by Gauss-Legendre quadrature.
    """
    from scipy.stats import norm

    edge = limit * np.sqrt(weight / (2 - weight))
    at, share = np.polynomial.legendre.leggauss(nodes)
    at, share = edge * at, edge * share
    kernel = norm.pdf((at[None] - (1 - weight) * at[:, None]) / weight - shift) * share[None] / weight
    run = np.linalg.solve(np.eye(nodes) - kernel, np.ones(nodes))
    return float(1 + norm.pdf(at / weight - shift) / weight * share @ run)
