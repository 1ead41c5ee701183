"""Which stages drift from plan: the contract's ``drift`` document."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from calib.drift.change import change_point, change_size
from calib.drift.chart import SLACK, find_alarms
from calib.drift.plan import left_plan
from calib.drift.run_length import limit_for, log_run_lengths
from calib.drift.series import Series, days, find_series
from calib.drift.slices import find_slices

FEWEST_RUNS = 8
WEEKS_BACK = 26
NEAR_DAYS = 10
EVENT_COLUMNS = ("at", "machine", "station", "what", "note")
DAYS_A_YEAR = 365.25
SHARE_POWER = -0.6  # busy charts get a smaller share of the false alarms: measured, bench/bench_drift.py


def check_drift(
    errors: pd.DataFrame,
    as_of: pd.Timestamp,
    since: pd.Timestamp | None = None,
    false_alarms_per_year: float = 2.0,
    accepted: pd.DataFrame | Iterable[Mapping[str, Any]] = (),
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
    accepted : changes that a person accepted: rows with process, stage, accepted_at (else since)
    events : frame at, machine, station, what, note; those near a change are shown beside it
    persons : also slice by operator
    """
    as_of = pd.Timestamp(as_of)
    since = as_of - pd.Timedelta(weeks=WEEKS_BACK) if since is None else pd.Timestamp(since)
    charts = find_series(errors, as_of)
    limits = limits_of(charts, false_alarms_per_year / 2)  # the other half is for the scan against the plan
    plans = accepted_days(accepted)
    start = days(pd.Series([since]))[0]
    stages = [
        check_stage(chart, limit, max(start, plans.get((chart.process, chart.stage), start)), persons, timezone)
        for chart, limit in zip(charts, limits, strict=True)
    ]
    chance = false_alarms_per_year / 2 / max(1, sum(len(chart.at) >= FEWEST_RUNS for chart in charts))
    for chart, stage in zip(charts, stages, strict=True):
        after = max(start, plans.get((chart.process, chart.stage), start))
        if stage["state"] == "steady" and left_plan(chart, chance * years_of(chart), seed):
            change = moved(chart, len(chart.at) - 1, persons, timezone)
            if days(pd.Series([pd.Timestamp(change["since"], tz="UTC")]))[0] > after:
                stage |= change
                stage["chart"] = chart_data(chart, stage)
    for stage in stages:
        stage["events"] = events_near(stage, events)
    return {
        "as_of": str(as_of.tz_convert(timezone).date()),
        "false_alarms_per_year": false_alarms_per_year,
        "stages": stages,
    }


def years_of(chart: Series) -> float:
    """Years that the series spans, at most one."""
    return float(np.clip((chart.at[-1] - chart.at[0]) / DAYS_A_YEAR, 0.01, 1.0))


def accepted_days(accepted: pd.DataFrame | Iterable[Mapping[str, Any]]) -> dict[tuple[str, str], float]:
    """Day on which each stage's last change was accepted as the new plan."""
    rows = accepted.to_dict("records") if isinstance(accepted, pd.DataFrame) else list(accepted)
    found: dict[tuple[str, str], float] = {}
    for row in rows:
        key = (str(row["process"]), str(row["stage"]))
        when = float(days(pd.Series([row.get("accepted_at", row.get("since"))]))[0])
        found[key] = max(when, found.get(key, when))
    return found


def check_stage(chart: Series, limit: float, after: float, persons: bool, timezone: str) -> dict[str, Any]:
    """One row of the document; only alarms after day ``after`` count."""
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
        alarms = [alarm for alarm in find_alarms(chart.score, SLACK, limit) if chart.at[alarm.run] > after]
        if alarms:
            stage |= moved(chart, alarms[0].run, persons, timezone)
    return stage | {"chart": chart_data(chart, stage)}


def events_near(stage: Mapping[str, Any], events: pd.DataFrame | None) -> list[dict[str, Any]]:
    """Logged events within NEAR_DAYS of the change's range that name no place, or one where this stage is done."""
    if stage["since"] is None or events is None or events.empty:
        return []
    margin = pd.Timedelta(days=NEAR_DAYS)
    at = pd.to_datetime(events["at"], utc=True)
    low, high = pd.Timestamp(stage["since_low"], tz="UTC"), pd.Timestamp(stage["since_high"], tz="UTC")
    near = events[(at >= low - margin) & (at <= high + margin)]
    return [
        {name: (str(row[name]) if pd.notna(row.get(name)) else None) for name in EVENT_COLUMNS}
        for row in near.to_dict("records")
        if all(pd.isna(row.get(name)) or row[name] in stage["places"] for name in ("machine", "station"))
    ]


def limits_of(charts: list[Series], false_alarms_per_year: float) -> list[float]:
    """A limit for each chart: its share of the lab's false alarms, at its own pace, on the lab's own scores."""
    watched = [chart for chart in charts if len(chart.at) >= FEWEST_RUNS]
    if not watched:
        return [np.inf] * len(charts)
    scores = np.concatenate([chart.score for chart in watched])
    logs = log_run_lengths(np.concatenate([scores, -scores]), SLACK)  # one law for both sides
    pace = np.array([len(c.at) / max(c.at[-1] - c.at[0], 28.0) * DAYS_A_YEAR for c in charts])
    weight = pace**SHARE_POWER
    share = false_alarms_per_year * weight / weight[[len(c.at) >= FEWEST_RUNS for c in charts]].sum()
    return [limit_for(2 * a_year / part, logs) for a_year, part in zip(pace, share, strict=True)]


def moved(chart: Series, run: int, persons: bool, timezone: str) -> dict[str, Any]:
    adjusted = chart.error + chart.level
    scores = chart.score + chart.level / chart.scale
    start, low, high = change_point(scores)
    size, size_low, size_high = change_size(adjusted, chart.scale, start)
    after = chart.rows.iloc[start:]
    typical = float(after["actual_min"].median())

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
        "hours_a_month": hours_a_month(after["actual_min"].to_numpy(float), size, chart.at[start:]),
        "places": sorted({str(p) for name in ("machine", "station") if name in after for p in after[name].dropna()}),
        "slices": find_slices(chart.rows, adjusted, chart.scale, start, persons),
    }


def hours_a_month(minutes: np.ndarray, size: float, at: np.ndarray) -> float:
    """Costs of the change (savings below 0) at the pace since, forgotten timers cut to 3 times the usual."""
    usual = np.minimum(minutes, 3 * np.median(minutes))
    months = max(at[-1] - at[0], 7.0) / (DAYS_A_YEAR / 12)
    return float(usual.sum() / 60 * -np.expm1(-size) / months)


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
