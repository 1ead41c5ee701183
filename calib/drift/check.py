"""Which stages drift from plan: the contract's ``drift`` document."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from calib.drift.chart import find_alarms, goes_back
from calib.drift.describe import chart_data, day_of, describe, events_near, went_back
from calib.drift.limits import chart_limits
from calib.drift.series import Series, bench_together, days, find_series
from calib.drift.spread import find_erratic, sizes_of

WEEKS_BACK = 26
LEVEL_SHARE = 0.85  # of the false alarms are for levels, the rest for spreads
STEADY: dict[str, Any] = {
    "state": "steady", "since": None, "change_pct": None, "change_pct_low": None, "change_pct_high": None,
    "minutes_per_build": None, "slices": [],
}  # fmt: skip


@dataclass(frozen=True)
class Plan:
    """first : day of the change that a person accepted; until : last day that was known then"""

    first: float = -np.inf
    until: float = -np.inf


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

    errors : ``Calibrator.errors``; columns part, layer_mm, day, shift, if there, are also compared; now_min,
        if there, is what quotes assume by now [min]
    as_of : the last logged end, aware; nothing later is looked at
    since : alarms before it are not reported (26 weeks before ``as_of``)
    false_alarms_per_year : for the whole lab, all charts together
    accepted : changes that a person accepted: rows with process, stage, since, accepted_at
    events : frame at, machine, station, what, note; those near a change are shown beside it
    persons : also compare operators: whom to ask
    Returns as_of, false_alarms_per_year, stages, and ``together``: the bench work of processes whose stages have few
    runs, charted as one, each with the stages that it is ``of``.
    """
    as_of = pd.Timestamp(as_of)
    after = days(pd.Series([as_of - pd.Timedelta(weeks=WEEKS_BACK) if since is None else pd.Timestamp(since)]))[0]
    charts = find_series(errors, as_of)
    together = bench_together(charts)
    watched = [chart for chart in charts + together if chart.enough]
    limits = dict(zip(map(id, watched), lab_limits(watched, false_alarms_per_year, seed), strict=True))
    plans = accepted_plans(accepted)
    looked = Looked(after, plans, persons, timezone, events)
    return {
        "as_of": str(as_of.tz_convert(timezone).date()),
        "false_alarms_per_year": false_alarms_per_year,
        "stages": [check_stage(chart, limits.get(id(chart)), looked) for chart in charts],
        "together": [
            check_stage(chart, limits.get(id(chart)), looked) | {"of": sorted(chart.rows["stage"].astype(str).unique())}
            for chart in together
        ],
    }


def lab_limits(charts: list[Series], false_alarms_per_year: float, seed: int = 0) -> list[tuple[float, float]]:
    """Limits of level and of spread of each chart; bench work charted together is a chart of the lab as others are."""
    pace = np.array([chart.pace for chart in charts])
    levels = chart_limits([c.error / c.scale for c in charts], pace, false_alarms_per_year * LEVEL_SHARE, seed)
    spreads = chart_limits([sizes_of(c) for c in charts], pace, false_alarms_per_year * (1 - LEVEL_SHARE), seed)
    return list(zip(levels, spreads, strict=True))


@dataclass(frozen=True, eq=False)
class Looked:
    """How a look at the charts is meant: see ``check_drift``."""

    after: float
    plans: Mapping[tuple[str, str], Plan]
    persons: bool
    timezone: str
    events: pd.DataFrame | None


def accepted_plans(accepted: pd.DataFrame | Iterable[Mapping[str, Any]]) -> dict[tuple[str, str], Plan]:
    """Each stage's last accepted change."""
    rows = accepted.to_dict("records") if isinstance(accepted, pd.DataFrame) else list(accepted)
    found: dict[tuple[str, str], Plan] = {}
    for row in rows:
        key = (str(row["process"]), str(row["stage"]))
        first, until = days(pd.Series([pd.Timestamp(row["since"]), pd.Timestamp(row["accepted_at"])], dtype=object))
        found[key] = max(found.get(key, Plan()), Plan(float(first), float(until)), key=lambda plan: plan.until)
    return found


def check_stage(chart: Series, limits: tuple[float, float] | None, looked: Looked) -> dict[str, Any]:
    """One row of the document; only what cried after the day asked for, and after the last accepted change, counts."""
    stage: dict[str, Any] = {"process": chart.process, "stage": chart.stage, "runs": len(chart.at), **STEADY}
    stage |= {"slices": [], "causes": [], "erratic": None, "accepted_since": None}
    if limits is None:
        return stage | {"state": "too_few_runs", "events": [], "chart": chart_data(chart, stage)}
    plan = looked.plans.get((chart.process, chart.stage), Plan())
    if np.isfinite(plan.first):
        stage["accepted_since"] = str(pd.Timestamp(plan.first, unit="D").date())
    begin = int(np.searchsorted(chart.at, plan.first))
    after = max(looked.after, plan.until)
    values, scale = chart.value[begin:], chart.scale[begin:]
    found = find_alarms(values, scale, limits[0], chart.pace, chart.settled - begin)
    cried = [alarm for alarm in found if chart.at[begin + alarm.run] > after]
    starts = dict(zip(found, [0, *(alarm.first for alarm in found)], strict=False))
    if cried and goes_back(values, scale, cried, starts[cried[0]]):
        stage["causes"] = [went_back(chart, begin + cried[0].first, begin + cried[-1].first, looked.timezone)]
    elif cried:
        first = next(alarm for alarm in cried if alarm.sign == cried[-1].sign)
        stage |= describe(chart, begin + starts[first], begin + first.run, looked.persons, looked.timezone)
    erratic = find_erratic(chart, limits[1], after, [chart.at[begin + alarm.first] for alarm in found])
    if erratic:
        days_told = {"since": erratic.pop("first"), "alarm_at": erratic.pop("cried")}
        stage["erratic"] = {name: day_of(chart, run, looked.timezone) for name, run in days_told.items()} | erratic
    stage["events"] = events_near(chart, stage, looked.events)
    return stage | {"chart": chart_data(chart, stage)}
