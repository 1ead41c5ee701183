"""How far a chart may go before it cries: from the model's own replayed errors, for the whole lab's false alarms.

Errors of a lab are neither normal nor independent: the calibration follows them. So quiet years are put together from
blocks of the errors that the model made at the time (moving block bootstrap: H. R. Künsch, Annals of Statistics 17
(1989) 1217-1241), the chart is run over them, and the limit is read from its yearly largest log odds. These are very
nearly Gumbel distributed, which carries the limit to chances that few years show.

The lab's false alarms go to its charts by one over the square root of their pace: of two charts the one with fewer runs
is where a lower limit finds more changes in time (bench/bench_drift.py, against equal shares: 0.5 sd 2 % more often, 1 sd
1 %, half a week later).
"""

from __future__ import annotations

import numpy as np

from calib.drift.change import gains
from calib.drift.chart import BEFORE, MOST_BEFORE, UNKNOWN, Level, drawn_in, shift_odds

YEARS, RUNS = (160, 1000), 60_000  # quiet years for each pace: fewest and most, and runs of them all
BEYOND = 16  # years of them whose largest odds are looked beyond: the law of rarer ones is carried on from there
BACK = (
    1.3  # alarms that a false one brings, itself counted: some are followed by one that the level went back (measured)
)
PACES = 6
BLOCK_WEEKS = 4.0
WEEKS_A_YEAR = 52.18
FEWEST, MOST = 24, 1200  # runs of a quiet year that is put together
PLAIN = 16.0  # gain of a step that is no chance: 4 standard errors
CLIP = 2.0  # [sd]
LOG_LOG_2 = np.log(np.log(2))  # of Gumbel's median


def chart_limits(
    errors: list[np.ndarray], pace: np.ndarray, a_year: float, seed: int = 0, level: Level = UNKNOWN
) -> np.ndarray:
    """Limit of each chart [log odds], so that all together cry falsely ``a_year`` times a year, shape (charts,).

    errors : for each chart its errors over their predicted spread, in order of time [sd]
    pace : shape (charts,), runs a year
    level : what is known of theirs
    """
    if not len(pace):
        return np.zeros(0)
    rng = np.random.default_rng(seed)
    slowest, quickest = np.maximum((pace.min(), pace.max()), FEWEST)
    grid = np.geomspace(slowest, quickest, int(min(np.ceil(np.log2(quickest / slowest)), PACES - 1)) + 1)
    laws = np.array([yearly_law(near(errors, pace, one), one, rng, level) for one in grid])
    at = np.log(np.maximum(pace, FEWEST))
    middle = np.interp(at, np.log(grid), laws[:, 0])
    slope = np.polyval(np.polyfit(np.log(grid), laws[:, 1], min(len(grid) - 1, 1)), at)
    share = a_year / BACK * pace**-0.5 / np.sum(pace**-0.5)
    return middle + slope * (LOG_LOG_2 - np.log(share))


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


def yearly_law(errors: np.ndarray, pace: float, rng: np.random.Generator, level: Level) -> tuple[float, float]:
    """Median and scale of the Gumbel law of the largest log odds in a quiet year.

    A stage that truly moved spoils the upper half of the years first. So the scale is that of the same errors in random
    order, in which no move is left; how much wider the blocks lie is told by their lower half.
    """
    runs = int(min(pace, MOST))
    years = int(np.clip(RUNS / runs, *YEARS))
    length, high = max(1, round(pace * BLOCK_WEEKS / WEEKS_A_YEAR)), 1 - BEYOND / years
    low, middle = np.quantile(largest_odds(errors, (years, runs), length, rng, level), (0.1, 0.5))
    plain = np.quantile(largest_odds(errors, (years, runs), 1, rng, level), (0.1, 0.5, high))
    scale = (plain[2] - plain[1]) / (LOG_LOG_2 - np.log(-np.log(high)))
    scale *= (middle - low) / (plain[1] - plain[0])
    return middle + np.log(pace / runs) * scale, scale


def largest_odds(
    errors: np.ndarray, shape: tuple[int, int], length: int, rng: np.random.Generator, level: Level
) -> np.ndarray:
    """Largest log odds of each of shape[0] years of shape[1] runs, put together from blocks of ``length`` errors.

    A level that only the runs tell has had a year to be told: a chart that starts anew cries less.
    """
    years, runs = shape
    earlier, before = (0, 0) if level.known else (min(runs, MOST_BEFORE), BEFORE)
    starts = rng.integers(0, len(errors), (years, -(-(earlier + runs) // length), 1))
    year = errors[(starts + np.arange(length)) % len(errors)].reshape(years, -1)[:, : earlier + runs]
    year = year * rng.choice([-1.0, 1.0], (years, 1))
    ones = np.ones_like(year)
    return shift_odds(drawn_in(year, ones), ones, level, before)[0][:, earlier:].max(axis=1)
