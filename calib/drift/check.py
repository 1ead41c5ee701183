"""Which stages drift from plan: the contract's ``drift`` document."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from calib.drift.change import change_point, change_size
from calib.drift.chart import SLACK, find_alarms
from calib.drift.run_length import limit_for
from calib.drift.series import CLIP, Series, days, find_series
from calib.drift.slices import find_slices

FEWEST_RUNS = 8
WEEKS_BACK = 26
DAYS_A_YEAR = 365.25


def check_drift(
    errors: pd.DataFrame,
    as_of: pd.Timestamp,
    since: pd.Timestamp | None = None,
    false_alarms_per_year: float = 2.0,
    accepted: Iterable[Mapping[str, Any]] = (),
    events: pd.DataFrame | None = None,
    seed: int = 0,
    persons: bool = False,
    timezone: str = "UTC",
) -> dict[str, Any]:
    """The contract's ``drift`` document, each stage with ``chart`` data for pages.

    errors : ``Calibrator.errors``
    as_of : the last logged end, aware; nothing later is looked at
    since : alarms before it are not reported (26 weeks before ``as_of``)
    false_alarms_per_year : for the whole lab, all charts together
    accepted : changes that a person accepted: mappings with process, stage, accepted_at
    events : frame at, machine, station, what, note
    persons : also slice by operator
    """
    as_of = pd.Timestamp(as_of)
    since = as_of - pd.Timedelta(weeks=WEEKS_BACK) if since is None else pd.Timestamp(since)
    charts = find_series(errors, as_of)
    share = false_alarms_per_year / max(1, sum(len(chart.at) >= FEWEST_RUNS for chart in charts))
    stages = [check_stage(chart, share, since, list(accepted), persons, timezone) for chart in charts]
    return {
        "as_of": str(as_of.tz_convert(timezone).date()),
        "false_alarms_per_year": false_alarms_per_year,
        "stages": stages,
    }


def check_stage(
    chart: Series, share: float, since: pd.Timestamp, accepted: list[Mapping[str, Any]], persons: bool, timezone: str
) -> dict[str, Any]:
    stage: dict[str, Any] = {
        "process": chart.process,
        "stage": chart.stage,
        "runs": len(chart.at),
        "state": "too_few_runs" if len(chart.at) < FEWEST_RUNS else "steady",
        "since": None,
        "change_pct": None,
        "change_pct_low": None,
        "change_pct_high": None,
        "minutes_per_build": None,
        "slices": [],
    }
    if stage["state"] == "steady":
        limit = limit_of(chart, share)
        fresh = days(pd.Series([since]))[0]
        done = max(
            (
                days(pd.Series([a["accepted_at"]]))[0]
                for a in accepted
                if (a["process"], a["stage"]) == (chart.process, chart.stage)
            ),
            default=-np.inf,
        )
        alarms = [a for a in find_alarms(chart.score, SLACK, limit) if chart.at[a.run] > max(fresh, done)]
        if alarms:
            stage |= moved(chart, alarms[0].run, persons, timezone)
    return stage | {"chart": chart_data(chart, stage)}


def limit_of(chart: Series, share: float) -> float:
    """Limit for ``share`` false alarms a year from both sides at this chart's own pace."""
    a_year = len(chart.at) / max(chart.at[-1] - chart.at[0], 28.0) * DAYS_A_YEAR
    scores = np.clip(chart.score - np.median(chart.score), -CLIP, CLIP)
    return limit_for(scores, SLACK, 2 * a_year / share)


def moved(chart: Series, run: int, persons: bool, timezone: str) -> dict[str, Any]:
    adjusted = chart.error + chart.level
    scores = chart.score + chart.level / chart.scale
    start, low, high = change_point(scores)
    size, size_low, size_high = change_size(adjusted, chart.scale, start)
    typical = float(chart.rows["actual_min"].iloc[start:].median())

    def day(i: int) -> str:
        return str(chart.rows["ended_at"].iloc[i].tz_convert(timezone).date())

    return {
        "state": "drifting",
        "since": day(start),
        "since_low": day(low),
        "since_high": day(high),
        "alarm_at": day(run),
        "change_pct": 100 * float(np.expm1(size)),
        "change_pct_low": 100 * float(np.expm1(size_low)),
        "change_pct_high": 100 * float(np.expm1(size_high)),
        "minutes_per_build": typical * -float(np.expm1(-size)),
        "slices": find_slices(chart.rows, adjusted, chart.scale, start, persons),
    }


def chart_data(chart: Series, stage: Mapping[str, Any]) -> dict[str, Any]:
    """Points and band for a page: actual over the plan at the start, in per cent."""
    level = chart.level
    return {
        "at": [stamp.isoformat() for stamp in chart.rows["ended_at"]],
        "build_id": chart.rows["build_id"].astype(str).tolist() if "build_id" in chart.rows else [],
        "actual_min": chart.rows["actual_min"].round(2).tolist(),
        "actual_pct": (100 * np.expm1(chart.error + level)).round(2).tolist(),
        "expected_pct": (100 * np.expm1(level)).round(2).tolist(),
        "low_pct": (100 * np.expm1(level - 1.2816 * chart.scale)).round(2).tolist(),
        "high_pct": (100 * np.expm1(level + 1.2816 * chart.scale)).round(2).tolist(),
        "since": stage["since"],
    }
