"""What an alarm says: since when, how much, what it costs, what quotes assume, where from, what was logged near it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd

from calib.documents.drift import ChartData, Erratic, Event, LevelChange, QuotesAssume
from calib.drift.change import Change, change_size, find_change, robust_mean
from calib.drift.chart import MOST_BEFORE, Alarm
from calib.drift.series import Series
from calib.drift.slices import Mix, find_slices, mix_cause

NEAR_DAYS = 21  # what was found and logged two or three weeks later counts too
EVENT_COLUMNS = ("at", "machine", "station", "what", "note")
DAYS_A_MONTH = 365.25 / 12
STILL = "still there"  # shape of a change that is no longer plain, on the day first reported
LEFT = 0.5  # share of a change as first reported from which on it is still there, our choice
FEWEST_ASIDE = 4  # runs on each side of it
LATEST = 30  # runs that a usual build is taken from


@dataclass(frozen=True)
class FirstReport:
    """What was reported of an alarm first: run of its day, and size [log]."""

    run: int
    size: float


def describe(
    chart: Series, start: int, alarm: Alarm, first: FirstReport | None, persons: bool, timezone: str
) -> LevelChange:
    """The document's keys of a stage with an alarm; its level before is that of the runs from ``start``.

    A change from when the stage was still being learned leaves it steady; so does one that went back since, or that the
    mix of parts explains, which is named as a cause.
    """
    start = max(start, alarm.run - 2 * MOST_BEFORE)
    part = slice(start, None)
    values, scale, at = chart.value[part], chart.scale[part], chart.at[part]
    change = find_change(values, scale, at)
    if first and not plain(change, alarm):
        change = still_there(values, scale, first, start) or change
    run = start + change.run
    if run < chart.settled:
        return {}
    if not plain(change, alarm) and not (first and change.shape == STILL):
        return {
            "causes": [f"A change was reported on {spoken_day(chart, alarm.run, timezone)} and has gone back since."]
        }
    mix = mix_cause(chart.rows.iloc[part], values, scale, change.run, change.size)
    if mix:
        return {"causes": [mix_in_words(mix, spoken_day(chart, run, timezone))]}
    rows = chart.rows.iloc[run:]
    typical = float(rows["actual_min"].tail(LATEST).median())
    assumed = quotes_assume(chart, run, start + change.low, change.size)
    origin = find_slices(chart.rows.iloc[part], values, scale, change.come(values, scale, at), change.run, persons)
    return {
        "state": "drifting",
        "shape": "step or creep" if change.shape == STILL else change.shape,
        "creeps": change.creeps,
        "since": day_of(chart, run, timezone),
        "since_low": day_of(chart, start + change.low - 1, timezone),  # it came after the run before
        "since_high": day_of(chart, start + change.high, timezone),
        "alarm_at": day_of(chart, alarm.run, timezone),
        "change_pct": 100 * float(np.expm1(change.size)),
        "change_pct_low": 100 * float(np.expm1(change.size_low)),
        "change_pct_high": 100 * float(np.expm1(change.size_high)),
        "minutes_per_build": typical * -float(np.expm1(-change.size)),
        "hours_a_month": hours_a_month(rows["actual_min"].to_numpy(float), change.size, chart.at[run:]),
        "plan_min": assumed["plan_min"],
        "now_min": assumed["now_min"],
        "taken_up": assumed["taken_up"],
        "slices": origin["slices"],
        "where": origin["where"],
        "where_chance": origin["where_chance"],
    }


def mix_in_words(mix: Mix, since: str) -> str:
    shares = f"{mix.kind} were {100 * mix.before:.0f} % of the runs, now {100 * mix.after:.0f} %"
    return f"The mix of parts changed about {since}, not the stage: {shares}."


def plain(change: Change, alarm: Alarm) -> bool:
    """Is the change clear of nothing, and in the alarm's direction?"""
    return alarm.sign * change.size > 0 and not change.size_low <= 0 <= change.size_high


def still_there(values: np.ndarray, scale: np.ndarray, first: FirstReport, start: int) -> Change | None:
    """The change on the day first reported, where at least half of it is left; None where it went back.

    values, scale : shape (n,), from run ``start`` of the chart on
    """
    run = max(first.run - start, 0)
    if not FEWEST_ASIDE <= run <= len(values) - FEWEST_ASIDE:
        return None
    size, low, high = change_size(values, scale, run)
    return Change(run, run, run, size, low, high, STILL) if size / first.size > LEFT else None


def went_back(chart: Series, first: int, back: int, timezone: str) -> str:
    """What to say of a stage that moved at run ``first`` and is where it was since run ``back``."""
    gone = robust_mean(chart.value[first:back], chart.scale[first:back])[0]
    was, _ = robust_mean(chart.value[back:], chart.scale[back:])
    by_how_much = f"about {100 * abs(np.expm1(gone - was)):.0f} % {'slower' if gone > was else 'quicker'}"
    began, ended = spoken_day(chart, first, timezone), spoken_day(chart, back, timezone)
    return f"It was {by_how_much} from {began} to {ended} and is where it was."


def quotes_assume(chart: Series, run: int, low: int, size: float) -> QuotesAssume:
    """What quotes assume before the change and now.

    Now: what the model predicts for the last runs' builds as if new (``now_min`` of the errors). Before: the same builds
    at the level that the model had of their stage in its last runs before the change may have begun, run ``low``. (Bench
    work charted together is of several stages, each with a level of its own.)
    """
    rows, levels = chart.rows.iloc[run:], levels_before(chart, low)
    rows = rows[rows["now_min"].notna() & rows["stage"].isin(levels.index)] if "now_min" in rows else rows.head(0)
    if rows.empty:
        return {"plan_min": None, "now_min": None, "taken_up": None}
    plan = np.log(rows["baseline_min"]) + rows["covariate_effect"] + rows["stage"].map(levels).astype(float)
    usual, taken = float(plan.median()), float((np.log(rows["now_min"].astype(float)) - plan).median())
    return {
        "plan_min": float(np.exp(usual)),
        "now_min": float(np.exp(usual + taken)),
        "taken_up": float(np.clip(taken / size, 0.0, 1.5)),
    }


def levels_before(chart: Series, low: int) -> pd.Series:
    """What the model took each stage's level for in its last runs before run ``low`` [log], by stage."""
    rows = chart.rows.iloc[:low]
    level = np.log(rows["expected_min"] / rows["baseline_min"]) - rows["covariate_effect"]
    medians: pd.Series = level.groupby(rows["stage"].astype(str)).agg(lambda levels: levels.tail(LATEST).median())
    return medians


def day_of(chart: Series, run: int, timezone: str) -> str:
    return str(chart.rows["ended_at"].iloc[run].tz_convert(timezone).date())


def spoken_day(chart: Series, run: int, timezone: str) -> str:
    day = chart.rows["ended_at"].iloc[run].tz_convert(timezone)
    return f"{day.day} {day:%b %Y}"


def hours_a_month(minutes: np.ndarray, size: float, at: np.ndarray) -> float:
    """Costs of the change (savings below 0) at the pace since [h a month], forgotten timers cut to 3 times the usual.

    minutes, at : shape (n,), of the runs since, at in days; size [log]
    """
    usual = np.minimum(minutes, 3 * np.median(minutes))
    months = max(at[-1] - at[0], 7.0) / DAYS_A_MONTH
    return float(usual.sum() / 60 * -np.expm1(-size) / months)


def events_near(chart: Series, level: LevelChange, erratic: Erratic | None, events: pd.DataFrame | None) -> list[Event]:
    """Logged events within NEAR_DAYS of the change's range that name no place, or one where this stage is done since.

    Of a stage that moved the change of its level counts, of another one that of its spread.
    """
    change: LevelChange | Erratic | None = level if level.get("since") else erratic
    if not change or events is None or events.empty:
        return []
    names = ("since_low", "since", "since_high")
    low, since, high = (pd.Timestamp(str(change.get(name) or change["since"]), tz="UTC") for name in names)
    margin = pd.Timedelta(days=NEAR_DAYS)
    at = pd.to_datetime(events["at"], utc=True)
    near = events[(at >= low - margin) & (at <= high + margin)]
    places = places_since(chart.rows[chart.rows["ended_at"] >= since])
    return [
        cast(Event, {name: (str(row[name]) if pd.notna(row.get(name)) else None) for name in EVENT_COLUMNS})
        for row in near.to_dict("records")
        if all(pd.isna(row.get(name)) or row[name] in places for name in ("machine", "station"))
    ]


def places_since(rows: pd.DataFrame) -> set[str]:
    return {str(place) for name in ("machine", "station") if name in rows for place in rows[name].dropna()}


def chart_data(chart: Series, since: str | None) -> ChartData:
    """Points and band for a page, per cent from plan: the level before the change, or of all runs where there is none."""
    began = pd.Timestamp(since or "2262-01-01", tz="UTC")
    ahead = int((chart.rows["ended_at"] < began).sum()) or len(chart.at)
    plan, _ = robust_mean(chart.value[:ahead][-MOST_BEFORE:], chart.scale[:ahead][-MOST_BEFORE:])
    level = chart.level - plan
    band = 1.2816 * chart.scale
    return {
        "at": [stamp.isoformat() for stamp in chart.rows["ended_at"]],
        "build_id": chart.rows["build_id"].astype(str).tolist() if "build_id" in chart.rows else [],
        "actual_min": chart.rows["actual_min"].round(2).tolist(),
        "actual_pct": _per_cent(chart.value - plan),
        "expected_pct": _per_cent(level),
        "low_pct": _per_cent(level - band),
        "high_pct": _per_cent(level + band),
        "since": since,
    }


def _per_cent(logs: np.ndarray) -> list[float]:
    rounded: list[float] = (100 * np.expm1(logs)).round(2).tolist()
    return rounded
