"""Limits of a lab's charts, set once a quarter of log time and kept: an alarm does not come and go with them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from calib.drift.limits import chart_limits
from calib.drift.series import Series, days
from calib.drift.spread import sizes_of

LEVEL_SHARE = 0.85  # of the false alarms are for levels, the rest for spreads
BASIS_DAYS = 56.0  # logs that limits are set from before they are kept, our choice
Row = dict[str, Any]


def quarter_limits(
    charts: Sequence[Series], as_of: pd.Timestamp, kept: Sequence[Mapping[str, Any]], a_year: float, seed: int = 0
) -> list[Row]:
    """Rows of quarter, process, stage, level, spread, false_alarms_per_year: those kept, and this quarter's.

    A quarter's are set from the runs before it, where there are BASIS_DAYS of them, else from all; so they are the same
    on whatever day of it one looks. A chart that gets runs enough later joins with a limit of its own.
    """
    quarter = str(quarter_of(as_of).date())
    mine = [dict(row) for row in kept if row["false_alarms_per_year"] == a_year and row["quarter"] <= quarter]
    set_for = {(row["process"], row["stage"]) for row in mine if row["quarter"] == quarter}
    new = [i for i, chart in enumerate(charts) if (chart.process, chart.stage) not in set_for]
    if not new:
        return mine
    limits = lab_limits(basis(charts, days(pd.Series([quarter_of(as_of)]))[0]), a_year, seed)
    return mine + [
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
    return min(chart.at[0] for chart in charts) + BASIS_DAYS <= day


def may_keep(rows: Sequence[Row], charts: Sequence[Series], as_of: pd.Timestamp) -> list[Row]:
    """The rows that are kept: none while BASIS_DAYS are not logged."""
    return list(rows) if charts and enough_before(charts, days(pd.Series([as_of]))[0]) else []


def lab_limits(charts: Sequence[Series], a_year: float, seed: int = 0) -> list[tuple[float, float]]:
    """Limits of level and of spread of each chart; bench work charted together is a chart of the lab as others are."""
    pace = np.array([chart.pace for chart in charts])
    levels = chart_limits([c.error / c.scale for c in charts], pace, a_year * LEVEL_SHARE, seed)
    spreads = chart_limits([sizes_of(c) for c in charts], pace, a_year * (1 - LEVEL_SHARE), seed)
    return [(float(level), float(spread)) for level, spread in zip(levels, spreads, strict=True)]


def limit_of(chart: Series, rows: Sequence[Mapping[str, Any]], kind: str) -> np.ndarray:
    """Limit at each run, shape (n,): its quarter's, or of the quarter next to it that has one."""
    mine = sorted(
        (r for r in rows if (r["process"], r["stage"]) == (chart.process, chart.stage)), key=lambda r: r["quarter"]
    )
    starts = days(pd.Series([pd.Timestamp(row["quarter"], tz="UTC") for row in mine]))
    place = np.maximum(np.searchsorted(starts, chart.at, side="right") - 1, 0)
    return np.array([row[kind] for row in mine])[place]
