"""A stage that became erratic, or calm: the same chart on the size of its errors."""

from __future__ import annotations

import numpy as np

from calib.documents.drift import Erratic
from calib.drift.chart import find_alarms
from calib.drift.describe import day_of
from calib.drift.series import LEARNING_DAYS, Series

LARGEST = 4.0  # [sd] a forgotten timer is one bad run, not an erratic stage
LEAST = 0.25  # log of the smallest ratio of spreads that is worth a line: about 30 % more, or 20 % less


def sizes_of(chart: Series) -> np.ndarray:
    """Square root of the size of each error, centred and of unit spread, shape (n,): nearly normal for steady noise.

    (The square root of a half-normal variate is close to symmetric; Wilson and Hilferty's idea for chi-square.)
    """
    root = np.sqrt(np.minimum(np.abs(chart.error) / chart.scale, LARGEST))
    return np.asarray((root - np.median(root)) / max(float(root.std()), 1e-9))


def find_erratic(
    chart: Series,
    limit: np.ndarray | float,
    after: float,
    moved_at: list[float],
    timezone: str,
    kept: np.ndarray | None = None,
) -> Erratic | None:
    """The last change of a stage's spread that signalled after day ``after``; None where there is none.

    moved_at : days at which its level changed: errors are large there for a while, which is no other news
    kept : shape (n,), its ``sizes_of`` winsorised, where they are known
    """
    sizes = sizes_of(chart)
    alarms = find_alarms(sizes, np.ones(len(sizes)), limit, chart.pace, chart.settled, kept=kept)
    alarms = [alarm for alarm in alarms if chart.at[alarm.run] > after]
    if not alarms:
        return None
    first = alarms[-1].first
    start = alarms[-2].first if len(alarms) > 1 else 0
    ratio, half = _in_errors_and_over_expected(chart, start, first)
    near = any(abs(chart.at[first] - day) < LEARNING_DAYS for day in moved_at)
    if near or abs(ratio) < LEAST:
        return None
    return {
        "since": day_of(chart, first, timezone),
        "alarm_at": day_of(chart, alarms[-1].run, timezone),
        "change_pct": 100 * float(np.expm1(ratio)),
        "change_pct_low": 100 * float(np.expm1(ratio - half)),
        "change_pct_high": 100 * float(np.expm1(ratio + half)),
    }


def _in_errors_and_over_expected(chart: Series, start: int, first: int) -> tuple[float, float]:
    """The lesser ratio of the errors' spreads, and of their spreads over what was predicted; 0 where they go apart.

    Over the prediction alone it is also large where the fit had yet to learn how little a stage varies.
    """
    (own, half), (over, _) = (spread_ratio(z, start, first) for z in (chart.error, chart.error / chart.scale))
    return (min(own, over, key=abs) if own * over > 0 else 0.0), half


def spread_ratio(z: np.ndarray, start: int, first: int) -> tuple[float, float]:
    """Log ratio of the spreads after and before run ``first``, by median absolute size, and half its 90 % range.

    z : shape (n,), errors, or errors over their predicted spread; runs on both sides of ``first``.
    The log of a median of n half-normal sizes has a standard error of about 1.17 / sqrt(n).
    """
    before, after = np.abs(z[start:first]), np.abs(z[first:])
    half = 1.6449 * 1.17 * np.sqrt(1 / len(before) + 1 / len(after))
    return float(np.log(max(np.median(after), 1e-9) / max(np.median(before), 1e-9))), float(half)
