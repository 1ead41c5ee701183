"""How far a chart may go before it cries: from the model's own replayed errors, for the whole lab's false alarms.

Errors of a lab are neither normal nor independent: the calibration follows them. So quiet years are put together from
blocks of the errors that the model made at the time (moving block bootstrap: H. R. Künsch, Annals of Statistics 17
(1989) 1217-1241), the chart is run over them, and the limit is read from its yearly largest values. Half the square of
a yearly largest value is very nearly Gumbel distributed, which carries the limit to chances that few years show.
"""

from __future__ import annotations

import numpy as np

from calib.drift.change import gains
from calib.drift.chart import CLIP, drawn_in, shift_scores

YEARS = 160  # quiet years for each pace
PACES = 6
BLOCK_WEEKS = 4.0
WEEKS_A_YEAR = 52.18
FEWEST, MOST = 24, 1200  # runs of a quiet year that is put together
PLAIN = 16.0  # gain of a step that is no chance: 4 standard errors
LOG_LOG_2 = np.log(np.log(2))  # of Gumbel's median


def chart_limits(errors: list[np.ndarray], pace: np.ndarray, a_year: float, seed: int = 0) -> np.ndarray:
    """Limit of each chart, so that all together cry falsely ``a_year`` times a year, shape (charts,).

    errors : for each chart its errors over their predicted spread, in order of time [sd]
    pace : shape (charts,), runs a year
    """
    if not len(pace):
        return np.zeros(0)
    rng = np.random.default_rng(seed)
    slowest, quickest = np.maximum((pace.min(), pace.max()), FEWEST)
    grid = np.geomspace(slowest, quickest, int(min(np.ceil(np.log2(quickest / slowest)), PACES - 1)) + 1)
    laws = np.array([yearly_law(near(errors, pace, one), one, rng) for one in grid])
    slope = float(np.median(laws[:, 1]))
    middle = np.interp(np.log(np.maximum(pace, FEWEST)), np.log(grid), laws[:, 0])
    return np.sqrt(2 * np.maximum(middle + slope * (LOG_LOG_2 - np.log(a_year / len(pace))), 0.5))


def near(errors: list[np.ndarray], pace: np.ndarray, one: float) -> np.ndarray:
    """Errors of the third of the charts (eight at least) whose pace is nearest, one after the other."""
    order = np.argsort(np.abs(np.log(pace / one)), kind="stable")
    return np.concatenate([without_step(errors[i]) for i in order[: max(8, len(order) // 3)]])


def without_step(errors: np.ndarray) -> np.ndarray:
    """Errors about their median; about those on each side of their one step, where there plainly is one."""
    gain = gains(np.clip(errors, -CLIP, CLIP), np.ones(len(errors)), np.zeros(len(errors)))
    split = int(np.argmax(gain))
    parts = [errors[:split], errors[split:]] if gain[split] > PLAIN else [errors]
    return np.concatenate([part - np.median(part) for part in parts])


def yearly_law(errors: np.ndarray, pace: float, rng: np.random.Generator) -> np.ndarray:
    """Median and scale of the Gumbel law of half the squared largest value in a quiet year.

    From the lower half of the years: a stage that truly moved spoils the upper half first.
    """
    runs = int(min(pace, MOST))
    length = max(1, round(pace * BLOCK_WEEKS / WEEKS_A_YEAR))
    starts = rng.integers(0, len(errors), (YEARS, -(-runs // length), 1))
    year = errors[(starts + np.arange(length)) % len(errors)].reshape(YEARS, -1)[:, :runs]
    year = year * rng.choice([-1.0, 1.0], (YEARS, 1))
    ones = np.ones_like(year)
    largest = np.abs(shift_scores(drawn_in(year, ones), ones, dead_zone=0.0)[0]).max(axis=1)
    low, middle = np.quantile(largest**2 / 2, (0.1, 0.5))
    slope = max((middle - low) / (np.log(np.log(10)) - LOG_LOG_2), 0.3)
    return np.array([middle + np.log(pace / runs) * slope, slope])
