"""Runs against the plan of half a year ago: finds what the calibration has adapted to already.

One-step-ahead errors fall back to zero as soon as the calibration has learned a change, so a chart of them can miss
what it learned within a week or two. Here the whole series, with what was learned put back, is scanned for one step;
its largest gain is compared with that of the same weeks in random order, so autocorrelation within a week counts.
"""

from __future__ import annotations

import numpy as np

from calib.drift.change import gains
from calib.drift.series import Series, robust_score

SHUFFLES = 1999
FEWEST_WEEKS = 6


def left_plan(chart: Series, chance: float, seed: int = 0) -> bool:
    """Whether the stage moved away from its plan at some time in the series.

    chance : of saying so by mistake, over the whole series, 0 < chance < 1
    """
    week = np.floor(chart.at / 7).astype(int)
    blocks = [np.flatnonzero(week == one) for one in np.unique(week)]
    if len(blocks) < FEWEST_WEEKS:
        return False
    scores = plan_scores(chart)
    found = gains(scores).max()
    rng = np.random.default_rng([seed, len(scores)])
    as_large = 0
    for done in range(SHUFFLES):
        order = np.concatenate([blocks[i] for i in rng.permutation(len(blocks))])
        as_large += gains(scores[order]).max() >= found
        if as_large > chance * (SHUFFLES + 1) or (done == 199 and as_large > 20):
            return False
    return (as_large + 1) / (SHUFFLES + 1) <= chance


def plan_scores(chart: Series) -> np.ndarray:
    """Robust scores of the runs against one plan for all of them, shape (n,) [sd]."""
    values = chart.error + chart.level
    return robust_score((values - np.median(values)) / chart.scale)
