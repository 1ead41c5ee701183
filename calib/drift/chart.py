"""The chart: the last runs of a stage against all before them, for every number of last runs, since its last change.

A generalised likelihood ratio for a lasting shift of unknown size from a level that is estimated too (D. Siegmund and
E. S. Venkatraman, Annals of Statistics 23 (1995) 255-271), on values drawn in to CLIP sd from a centre that follows
slowly. Both levels come from the runs themselves, so a stage with few runs joins late and asks for more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

CLIP, FADED, LEAST = 2.0, 10.0, 1.0  # [sd] measured: with forgotten timers the most important step of all
BEFORE = 8  # runs that a level needs before a change from it is spoken of
MOST_BEFORE = 250  # runs at most that a level is taken from: older ones are another season's
DEAD_ZONE = 0.05  # [sd] a shift smaller than this is the creep of every stage, no change; bench/bench_drift_lab.py
MEMORY = 200.0  # runs after which the centre forgets
START = 9  # runs whose median the centre starts from
LAGS = np.unique(np.round(4 * 1.15 ** np.arange(30)).astype(int))  # last runs looked at together: 4 to 230


@dataclass(frozen=True)
class Alarm:
    """run : index at which the chart crossed its limit; first : first run after the change; sign : +1 slower, -1 quicker"""

    run: int
    first: int
    sign: int


def drawn_in(values: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Values drawn in towards a centre that follows them slowly; looks at nothing later.

    No value counts for more than CLIP sd, and far ones for less, down to LEAST: a forgotten timer says less than a run
    that is merely slow. It never fades to nothing, so that a change of many sd still raises the chart.

    values, scale : shape (series, n), time along the second axis

    >>> drawn_in(np.array([[0.0, 1.0, 0.0, -1.0, 90.0]]), np.ones((1, 5))).round(1).tolist()
    [[0.0, 1.0, 0.0, -1.0, 1.0]]
    """
    kept = np.empty_like(values)
    centre = np.median(values[:, : min(START, BEFORE)], axis=1)
    for i in range(values.shape[1]):
        off = (values[:, i] - centre) / scale[:, i]
        counts = np.interp(np.abs(off), (0.0, CLIP, FADED), (0.0, CLIP, LEAST))
        kept[:, i] = centre + np.copysign(counts, off) * scale[:, i]
        centre = centre + (kept[:, i] - centre) / min(i + 4.0, MEMORY)
    return kept


def shift_scores(
    values: np.ndarray, scale: np.ndarray, before: int = BEFORE, dead_zone: float = DEAD_ZONE
) -> tuple[np.ndarray, np.ndarray]:
    """At each run the largest standardised shift of the last runs from those before, and how many runs it is of.

    values, scale : shape (series, n)
    before : fewest runs before the shift
    dead_zone : shift that counts for nothing [sd of a run]
    Returns shift [standard errors, positive when slower] and runs, both shape (series, n); 0 where too few runs.
    """
    n = values.shape[1]
    known, total = sums(1 / scale**2), sums(values / scale**2)
    best, runs = np.zeros(values.shape), np.zeros(values.shape, int)
    for lag in LAGS[LAGS + before <= n]:
        split, end = np.arange(before, n - lag + 1), np.arange(before + lag, n + 1)
        start = np.maximum(split - MOST_BEFORE, 0)
        after, ahead = known[:, end] - known[:, split], known[:, split] - known[:, start]
        moved = (total[:, end] - total[:, split]) / after - (total[:, split] - total[:, start]) / ahead
        counted = np.maximum(np.abs(moved) - dead_zone * np.sqrt(lag / after), 0.0)
        score = np.copysign(counted / np.sqrt(1 / after + 1 / ahead), moved)
        here, of = best[:, end[0] - 1 :], runs[:, end[0] - 1 :]
        larger = np.abs(score) > np.abs(here)
        here[larger], of[larger] = score[larger], lag
    return best, runs


def sums(values: np.ndarray) -> np.ndarray:
    """Running sums along time with a leading 0."""
    return np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)


def find_alarms(values: np.ndarray, scale: np.ndarray, limit: float, settled: int = BEFORE) -> list[Alarm]:
    """Every alarm; after each the chart starts again with the runs since the change.

    values, scale : shape (n,)
    settled : first run at which a change may be dated: before it the stage was still being learned
    """
    alarms: list[Alarm] = []
    start, looked = 0, 0
    while len(values) - start >= BEFORE + LAGS[0]:
        part = drawn_in(values[None, start:], scale[None, start:])
        shift, runs = (found[0] for found in shift_scores(part, scale[None, start:], max(BEFORE, settled - start)))
        shift[: looked - start] = 0.0
        over = np.flatnonzero(np.abs(shift) > limit)
        if not len(over):
            break
        at = int(over[0])
        alarms.append(Alarm(start + at, start + at + 1 - int(runs[at]), int(np.sign(shift[at]))))
        looked, start = alarms[-1].run + 1, alarms[-1].first
    return alarms
