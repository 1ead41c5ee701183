"""How long charts run before they cry: average run lengths by numerical quadrature and by Markov chain.

E. S. Page, "Continuous inspection schemes", Biometrika 41 (1954) 100-115; D. Brook and D. A. Evans, "An approach to the
probability distribution of cusum run length", Biometrika 59 (1972) 539-549.
"""

from __future__ import annotations

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
    """Limit h at which the one-sided chart runs ``run_length`` runs on average before it cries.

    The logarithm of the run length is nearly linear in h: interpolated between LIMITS, and never beyond the last.
    """
    return float(np.interp(np.log(run_length), logs, LIMITS))
