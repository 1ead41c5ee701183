"""Which stages drift from plan: the ``drift`` document (docs/interface.md)."""

from __future__ import annotations

import operator
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pandas as pd

from calib.documents.drift import AlarmRow, DriftDocument, Erratic, Event, LevelChange, LimitRow, StageDrift
from calib.drift.change import change_size
from calib.drift.chart import find_alarms, goes_back, winsorised_each
from calib.drift.describe import LEFT, FirstReport, chart_data, describe, events_near, went_back
from calib.drift.limits import limit_of, may_keep, quarter_limits
from calib.drift.memory import MENDED, Kept, Known, end, known_again, recall, run_at
from calib.drift.series import POOLED_BY, Series, bench_together, days, find_series, pooled
from calib.drift.spread import find_erratic, sizes_of

WEEKS_BACK = 26
NOTHING_KEPT = Kept()
WHOLE = "the whole stage"


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
    kept: Kept = NOTHING_KEPT,
) -> DriftDocument:
    """The ``drift`` document (docs/interface.md), each stage with ``chart`` data for pages.

    errors : ``Calibrator.errors_``; columns part, layer_mm, day, shift, if there, are also compared; now_min,
        if there, is what quotes assume by now [min]
    as_of : the last logged end, aware; nothing later is looked at
    since : alarms before it are not reported (26 weeks before ``as_of``)
    false_alarms_per_year : for the whole lab, all charts together
    accepted : changes that a person accepted: rows with process, stage, since, accepted_at
    events : frame at, machine, station, what, note; those near a change are shown beside it
    persons : also compare operators: whom to ask
    kept : what earlier looks left; ``Kept.after`` gives what this one leaves
    Returns as_of, false_alarms_per_year, stages, and ``together``: the bench work of processes whose stages have few
    runs, charted as one, each with the stages that it is ``of``; ``pooled``: all runs at one station or
    in one material, across stages and processes; its ``process`` is what it is pooled by. ``limits``, ``alarms`` and ``looked`` are for the next look.
    """
    as_of = pd.Timestamp(as_of)
    after = days(pd.Series([as_of - pd.Timedelta(weeks=WEEKS_BACK) if since is None else pd.Timestamp(since)]))[0]
    charts = find_series(errors, as_of)
    together = bench_together(charts)
    pools = pooled(charts)
    watched = [chart for chart in charts + together + pools if chart.enough]
    limits = quarter_limits(watched, as_of, kept.limits, false_alarms_per_year, seed)
    options = LookOptions(as_of, after, accepted_plans(accepted), persons, timezone, events, limits, kept)
    kept_values = winsorised_each([c.value for c in watched], [c.scale for c in watched])
    kept_sizes = winsorised_each([sizes_of(c) for c in watched], [np.ones(len(c.at)) for c in watched])
    drawn = {id(c): pair for c, pair in zip(watched, zip(kept_values, kept_sizes, strict=True), strict=True)}
    rows = {id(chart): check_stage(chart, options, drawn.get(id(chart))) for chart in charts + together + pools}
    return {
        "as_of": str(as_of.tz_convert(timezone).date()),
        "looked": as_of.isoformat(),
        "false_alarms_per_year": false_alarms_per_year,
        "stages": [rows[id(chart)] for chart in charts],
        "together": [rows[id(c)] | {"of": sorted(c.rows["stage"].astype(str).unique())} for c in together],
        "pooled": [rows[id(c)] | {"of": sorted(c.rows["stage"].unique())} for c in pools],
        "limits": may_keep(limits, watched, as_of),
        "alarms": [*of_others(kept, rows.values()), *(row for stage in rows.values() for row in stage["alarms"])],
    }


def of_others(kept: Kept, rows: Iterable[StageDrift]) -> list[AlarmRow]:
    """Alarms of earlier looks that no chart of this one has: of stages without runs now, and of accepted changes."""
    key = operator.itemgetter("process", "stage", "kind", "signalled_at")
    here = {key(alarm) for row in rows for alarm in row["alarms"]}
    return [row for row in kept.alarms if key(row) not in here]


@dataclass(frozen=True, eq=False)
class LookOptions:
    """How a look at the charts is meant: see ``check_drift``."""

    as_of: pd.Timestamp
    after: float
    plans: Mapping[tuple[str, str], Plan]
    persons: bool
    timezone: str
    events: pd.DataFrame | None
    limits: Sequence[LimitRow]
    kept: Kept


def accepted_plans(accepted: pd.DataFrame | Iterable[Mapping[str, Any]]) -> dict[tuple[str, str], Plan]:
    """Each stage's last accepted change."""
    rows = accepted.to_dict("records") if isinstance(accepted, pd.DataFrame) else list(accepted)
    plans: dict[tuple[str, str], Plan] = {}
    for row in rows:
        key = (str(row["process"]), str(row["stage"]))
        first, until = days(pd.Series([pd.Timestamp(row["since"]), pd.Timestamp(row["accepted_at"])], dtype=object))
        plans[key] = max(plans.get(key, Plan()), Plan(float(first), float(until)), key=lambda plan: plan.until)
    return plans


def check_stage(chart: Series, options: LookOptions, drawn: tuple[np.ndarray, np.ndarray] | None) -> StageDrift:
    """One row of the document; only what signalled after the day asked for, and after the last accepted change, counts.

    drawn : its values and the sizes of its errors winsorised, shape (n,) each; None where it has too few runs
    """
    if drawn is None:
        return stage_row(chart, {"state": "too_few_runs"})
    plan = options.plans.get((chart.process, chart.stage), Plan())
    accepted_since = str(pd.Timestamp(plan.first, unit="D").date()) if np.isfinite(plan.first) else None
    begin = int(np.searchsorted(chart.at, plan.first))
    after = max(options.after, plan.until)
    known, mended = level_alarms(chart, options, begin, plan.until, drawn[0])
    level = level_keys(chart, options, known, begin, after)
    moved_at = [chart.at[entry.alarm.first] for entry in known]
    limit = limit_of(chart, options.limits, "spread")
    erratic = find_erratic(chart, limit, after, moved_at, options.timezone, drawn[1])
    near = events_near(chart, level, erratic, options.events)
    return stage_row(chart, level, [entry.row for entry in known + mended], erratic, accepted_since, near)


def stage_row(
    chart: Series,
    level: LevelChange,
    alarms: Sequence[AlarmRow] = (),
    erratic: Erratic | None = None,
    accepted_since: str | None = None,
    events: Sequence[Event] = (),
) -> StageDrift:
    """The document's row: steady but for what the alarms of its level say."""
    row = {
        "process": chart.process,
        "stage": chart.stage,
        "runs": len(chart.at),
        "state": "steady",
        "since": None,
        "change_pct": None,
        "change_pct_low": None,
        "change_pct_high": None,
        "minutes_per_build": None,
        "slices": [],
        "causes": [],
        "erratic": erratic,
        "accepted_since": accepted_since,
        "known_since": None,
        "alarms": list(alarms),
        **level,
        "events": list(events),
        "chart": chart_data(chart, level.get("since")),
    }
    return cast(StageDrift, row)


def level_alarms(
    chart: Series, options: LookOptions, begin: int, until: float, kept: np.ndarray
) -> tuple[list[Known], list[Known]]:
    """Alarms of the chart's level, of earlier looks and of this one; and those that were there no more, their logs mended."""
    known, doubtful, first = recall(chart, options.kept, "level", until)
    alarms = find_alarms(
        chart.value, chart.scale, limit_of(chart, options.limits, "level"), chart.pace, chart.settled, begin=begin,
        known=[entry.alarm for entry in known], looked=first, kept=kept,
    )  # fmt: skip
    again, gone = known_again(chart, "level", alarms, known, doubtful)
    end(gone, options.as_of, MENDED)
    return again, gone


def level_keys(chart: Series, options: LookOptions, known: list[Known], begin: int, after: float) -> LevelChange:
    """What the alarms that stand say; those that went back or that the mix of parts explains end, if they were reported."""
    starts = dict(zip([entry.alarm for entry in known], [begin, *(entry.alarm.first for entry in known)], strict=False))
    signalled = [entry for entry in known if entry.standing and chart.at[entry.alarm.run] > after]
    if not signalled:
        return {}
    alarms = [entry.alarm for entry in signalled]
    if goes_back(chart.value, chart.scale, alarms, starts[alarms[0]]):
        end(signalled, options.as_of, "went back")
        return {"causes": [went_back(chart, alarms[0].first, alarms[-1].first, options.timezone)]}
    entry = next(entry for entry in signalled if entry.alarm.sign == signalled[-1].alarm.sign)
    described = describe(
        chart,
        starts[entry.alarm],
        entry.alarm,
        first_report(chart, entry, options.timezone),
        options.persons,
        options.timezone,
    )
    new = chart.process in POOLED_BY and "slices" in described and not entry.row["known_since"]
    if new and (alone := one_alone(chart, starts[entry.alarm], described, options.timezone)):
        return {"causes": [f"It is {alone.replace('_', ' ')} alone, not all of it."]}
    if described.get("state") == "drifting":
        return described | remember(entry.row, described, options)
    if entry.row["known_since"]:
        end(signalled, options.as_of, "went back")
    return described


def one_alone(chart: Series, start: int, described: LevelChange, timezone: str) -> str:
    """What moved alone in a pooled chart; '' where the runs without its likeliest stage moved at least half as much."""
    if described["where"] not in (None, WHOLE):
        return str(described["where"])
    shares = {part["value"]: part["share"] for part in described["slices"] if part["by"] == "stage"}
    if not shares:
        return "one stage"
    most = max(shares, key=shares.__getitem__)
    rest = np.flatnonzero(chart.rows["stage"].to_numpy() != most)
    rest = rest[rest >= start]
    run = int(np.searchsorted(rest, run_at(chart, pd.Timestamp(described["since"], tz=timezone))))
    if not 0 < run < len(rest):
        return f"stage {most}"
    left = change_size(chart.value[rest], chart.scale[rest], run)[0] / np.log1p(described["change_pct"] / 100)
    return "" if left >= LEFT else f"stage {most}"


def first_report(chart: Series, known: Known, timezone: str) -> FirstReport | None:
    if not known.row["known_since"] or not known.row["since"]:
        return None
    run = run_at(chart, pd.Timestamp(known.row["since"], tz=timezone))
    return FirstReport(run, float(np.log1p((known.row["change_pct"] or 0.0) / 100)))


def remember(row: AlarmRow, described: LevelChange, options: LookOptions) -> LevelChange:
    """The day first reported, kept unless the estimate has left its range; and since when the alarm is known."""
    known_since = row["known_since"] = row["known_since"] or options.as_of.isoformat()
    since, low, high = row["since"], row["since_low"], row["since_high"]
    if not since or not low or not high or not low <= described["since"] <= high:
        since, low, high = described["since"], described["since_low"], described["since_high"]
        row["since"], row["since_low"], row["since_high"] = since, low, high
    row["change_pct"] = row["change_pct"] or described["change_pct"]
    day = str(pd.Timestamp(known_since).tz_convert(options.timezone).date())
    return {"since": since, "since_low": low, "since_high": high, "known_since": day}
