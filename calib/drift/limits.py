"""How far a chart may go before it signals: from the model's own replayed errors, for the whole lab's false alarms.

Errors of a lab are neither normal nor independent: the calibration follows them. So quiet years are put together from
blocks of the errors that the model made at the time (moving block bootstrap: H. R. Künsch, Annals of Statistics 17
(1989) 1217-1241), the chart is run over them, and the median of their largest log odds is read. How much farther a rarer
year goes is the chart's own law and known from normal noise: see ``rise``.

Most of the lab's false alarms go to its charts with few runs, where a lower limit finds more changes in time
(bench/bench_drift.py, against equal shares: 0.5 sd 4 % more often, 1 sd 3 %).

Limits are set once a quarter of log time and kept: an alarm does not come and go with them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from calib.documents.drift import LimitRow
from calib.drift.change import gains
from calib.drift.chart import BEFORE, FEWEST, MOST_BEFORE, UNKNOWN, Level, shift_odds, still_odds, winsorised
from calib.drift.series import Series, days
from calib.drift.spread import sizes_of

YEARS, RUNS = (160, 1000), 60_000  # quiet years for each pace: fewest and most, and runs of them all
PACES = 6
SHARE = -0.75  # power of a chart's pace that its share of the false alarms goes with
BLOCK_WEEKS = 4.0
WEEKS_A_YEAR = 52.18
MOST = 1200  # runs at most of a quiet year that is put together
PLAIN = 16.0  # gain of a step that is no chance: 4 standard errors
CLIP = 2.0  # [sd]
LUCK = 1.1  # false alarms over those asked for, were limits set by the very law of the errors: they are estimated (measured)
TAIL = 0.1  # shape of the generalised extreme value law
# Factors of ``rise`` at these paces [runs a year], from bench/bench_quiet_law.py
RISE_PACES = (12, 24, 60, 150, 400, 1000)
RISE = (1.21, 1.31, 1.36, 1.23, 0.98, 0.82)
RISE_KNOWN_LEVEL = (1.39, 1.15, 1.00, 0.91, 0.81, 0.68)


def chart_limits(
    errors: list[np.ndarray], pace: np.ndarray, a_year: float, seed: int = 0, level: Level = UNKNOWN
) -> np.ndarray:
    """Limit of each chart [log odds], so that all together signal falsely ``a_year`` times a year, shape (charts,).

    errors : for each chart its errors over their predicted spread, in order of time [sd]
    pace : shape (charts,), runs a year
    level : what is known of theirs
    """
    if not len(pace):
        return np.zeros(0)
    rng = np.random.default_rng(seed)
    slowest, quickest = np.maximum((pace.min(), pace.max()), FEWEST)
    grid = np.geomspace(slowest, quickest, int(min(np.ceil(np.log2(quickest / slowest)), PACES - 1)) + 1)
    middles = [quiet_median(*near(errors, pace, grid_pace), grid_pace, rng, level) for grid_pace in grid]
    at_least = np.maximum(pace, FEWEST)
    middle = np.interp(np.log(at_least), np.log(grid), middles)
    share = a_year / LUCK * pace**SHARE / np.sum(pace**SHARE)
    return np.asarray(middle + rise(middle, at_least, share, level))


def rise(middle: np.ndarray, pace: np.ndarray, rate: np.ndarray, level: Level) -> np.ndarray:
    """How far above the median of quiet years' largest log odds they lie that come ``rate`` times a year.

    On normal noise of variance 0.6 to 1.3 the median and the distance from it to the 90 % point both grow with the
    variance, the second as the 0.8th power of the first, times a factor of the pace; from there on the law is a generalised
    extreme value law of one shape (A. F. Jenkinson, Quarterly Journal of the Royal Meteorological Society 81 (1955)
    158-171). middle, pace, rate : shape (charts,); returns log odds of that shape. Our own simulation, bench/bench_quiet_law.py; heavy tails that are winsorised keep to it.
    """
    factor = np.interp(np.log(pace), np.log(RISE_PACES), RISE_KNOWN_LEVEL if level.known else RISE)
    to_90 = factor * np.maximum(middle, 0.05) ** 0.8
    return np.asarray(to_90 * (variate(rate) - variate(np.log(2))) / (variate(-np.log(0.9)) - variate(np.log(2))))


def variate(rate: np.ndarray | float) -> np.ndarray:
    """Of the generalised extreme value law, that which is exceeded ``rate`` times a year."""
    return (np.asarray(rate) ** -TAIL - 1) / TAIL


def near(errors: list[np.ndarray], pace: np.ndarray, target: float) -> tuple[np.ndarray, int]:
    """Errors of the third of the charts (eight at least) whose pace is nearest, one after the other, and how many runs
    of a chart there usually are.

    errors : for each chart shape (its runs,) [sd]; pace : shape (charts,), and target [runs a year]
    """
    order = np.argsort(np.abs(np.log(pace / target)), kind="stable")[: max(8, len(pace) // 3)]
    return np.concatenate([without_step(errors[i]) for i in order]), int(np.median([len(errors[i]) for i in order]))


def without_step(errors: np.ndarray) -> np.ndarray:
    """Errors about their median; about those on each side of their one step, where there plainly is one. Shape (n,) [sd]."""
    gain = gains(np.clip(errors, -CLIP, CLIP), np.ones(len(errors)), np.zeros(len(errors)))
    split = int(np.argmax(gain))
    parts = [errors[:split], errors[split:]] if gain[split] > PLAIN else [errors]
    return np.concatenate([part - np.median(part) for part in parts])


def quiet_median(errors: np.ndarray, usual: int, pace: float, rng: np.random.Generator, level: Level) -> float:
    """Median of the largest log odds of quiet years of charts with ``usual`` runs, the last year's of them.

    errors : shape (n,) [sd]; pace [runs a year]
    """
    runs = int(min(pace, MOST))
    years = int(np.clip(RUNS / runs, *YEARS))
    length = max(1, round(pace * BLOCK_WEEKS / WEEKS_A_YEAR))
    earlier = 0 if level.known else int(np.clip(usual - runs, FEWEST, MOST_BEFORE))
    return float(np.median(largest_odds(errors, (years, runs), earlier, length, rng, level)))


def largest_odds(
    errors: np.ndarray, shape: tuple[int, int], earlier: int, length: int, rng: np.random.Generator, level: Level
) -> np.ndarray:
    """Largest log odds of each of shape[0] years of shape[1] runs after ``earlier`` ones, of blocks of ``length`` errors."""
    years, runs = shape
    starts = rng.integers(0, len(errors), (years, -(-(earlier + runs) // length), 1))
    series = errors[(starts + np.arange(length)) % len(errors)].reshape(years, -1)[:, : earlier + runs]
    series = series * rng.choice([-1.0, 1.0], (years, 1))
    ones = np.ones((1, series.shape[1]))
    odds = shift_odds(winsorised(series, ones), ones, level, 0 if level.known else BEFORE)
    return np.asarray((odds - still_odds(earlier + runs, runs, level))[:, earlier:].max(axis=1))


LEVEL_SHARE = 0.85  # of the false alarms are for levels, the rest for spreads
BASIS_DAYS = 56.0  # logs that limits are set from before they are kept, our choice


def quarter_limits(
    charts: Sequence[Series], as_of: pd.Timestamp, kept: Sequence[LimitRow], a_year: float, seed: int = 0
) -> list[LimitRow]:
    """Rows of quarter, process, stage, level, spread, false_alarms_per_year: those kept, and this quarter's.

    A quarter's are set from the runs before it, where there are BASIS_DAYS of them, else from all; so they are the same
    on whatever day of it one looks. A chart that gets runs enough later joins with a limit of its own.
    """
    quarter = str(quarter_of(as_of).date())
    own = [row.copy() for row in kept if row["false_alarms_per_year"] == a_year and row["quarter"] <= quarter]
    set_for = {(row["process"], row["stage"]) for row in own if row["quarter"] == quarter}
    new = [i for i, chart in enumerate(charts) if (chart.process, chart.stage) not in set_for]
    if not new:
        return own
    limits = lab_limits(basis(charts, days(pd.Series([quarter_of(as_of)]))[0]), a_year, seed)
    return own + [
        {"quarter": quarter, "process": charts[i].process, "stage": charts[i].stage, "level": limits[i][0],
         "spread": limits[i][1], "false_alarms_per_year": a_year}
        for i in new
    ]  # fmt: skip


def quarter_of(moment: pd.Timestamp) -> pd.Timestamp:
    """First moment of the quarter, UTC.

    >>> quarter_of(pd.Timestamp("2026-11-20 10:00", tz="Europe/Berlin"))
    Timestamp('2026-10-01 00:00:00+0000', tz='UTC')
    """
    day = moment.tz_convert("UTC")
    return pd.Timestamp(day.year, 3 * ((day.month - 1) // 3) + 1, 1, tz="UTC")


def basis(charts: Sequence[Series], day: float) -> list[Series]:
    """The charts up to a day; as they are where too little is logged before it."""
    if not enough_before(charts, day):
        return list(charts)
    early = [chart.until(day) for chart in charts]
    return [past if past.enough else chart for past, chart in zip(early, charts, strict=True)]


def enough_before(charts: Sequence[Series], day: float) -> bool:
    return bool(min(chart.at[0] for chart in charts) + BASIS_DAYS <= day)


def may_keep(rows: Sequence[LimitRow], charts: Sequence[Series], as_of: pd.Timestamp) -> list[LimitRow]:
    """The rows that are kept: none while BASIS_DAYS are not logged."""
    return list(rows) if charts and enough_before(charts, days(pd.Series([as_of]))[0]) else []


def lab_limits(charts: Sequence[Series], a_year: float, seed: int = 0) -> list[tuple[float, float]]:
    """Limits of level and of spread of each chart; bench work charted together is a chart of the lab as others are."""
    pace = np.array([chart.pace for chart in charts])
    levels = chart_limits([c.error / c.scale for c in charts], pace, a_year * LEVEL_SHARE, seed)
    spreads = chart_limits([sizes_of(c) for c in charts], pace, a_year * (1 - LEVEL_SHARE), seed)
    return [(float(level), float(spread)) for level, spread in zip(levels, spreads, strict=True)]


def limit_of(chart: Series, rows: Sequence[LimitRow], kind: str) -> np.ndarray:
    """Limit at each run, shape (n,): its quarter's, or of the quarter next to it that has one."""
    own = sorted(
        (r for r in rows if (r["process"], r["stage"]) == (chart.process, chart.stage)), key=lambda r: r["quarter"]
    )
    starts = days(pd.Series([pd.Timestamp(row["quarter"], tz="UTC") for row in own]))
    place = np.maximum(np.searchsorted(starts, chart.at, side="right") - 1, 0)
    return np.array([row["level"] if kind == "level" else row["spread"] for row in own])[place]
