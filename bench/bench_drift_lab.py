"""End to end: logs -> calibration -> its errors -> charts, on simulated labs with known steps, creeps and quiet years.

python bench/bench_drift_lab.py [--labs 16] [--first 101] [--quick] [--cache DIR] [--mondays]

Half of the labs have ten steps of exactly 1 sd of a run (and one of file_prep in every process), half have none; all
creep as the simulator's labs do. An alarm is true where a step of its sign has happened and was not yet credited, or
the true level has moved by half a sd in its direction since the last alarm; each step is credited once. Weeks are from
the beginning of the step's week to the alarm; steps that are never found count as infinite in the median. The charts
look at every run once, in order; what the model puts down to who and where is as it knows it at the end.

With --mondays nothing is known beforehand: every week the runs so far are fitted, and the page's document is made with what
the Mondays before left: limits of the quarter, and alarms. An alarm is a stage that it calls drifting and did not the Monday
before, or in the other direction: one that vanishes and returns counts again, as a reader of the page meets it.

Peer, in the same run: two-sided CUSUM (k 0.25, h for one false alarm in 26 years each by theory) on the errors that the
model made at the time, clipped at 2, which is what one would build first.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from chart_peers import find_alarms as find_cusum
from chart_peers import limit_for, log_run_lengths
from simulator import MONDAY, simulate

from calib.calibration.calibrator import Calibrator
from calib.calibration.checkpoints import Checkpoints
from calib.drift.change import find_change
from calib.drift.chart import Alarm, find_alarms, news
from calib.drift.check import check_drift
from calib.drift.limits import LEVEL_SHARE, chart_limits
from calib.drift.memory import Kept
from calib.drift.series import Series, days, find_series

WEEKS, FALSE_A_YEAR = 60, 2.0
FIRST_LOOK = 8
Rule = Callable[[list[Series]], list[list[Alarm]]]


@dataclass
class Tally:
    """What a rule's alarms were worth in all labs together."""

    labs: int = 0
    false: int = 0
    creeps: int = 0
    steps: int = 0
    weeks: list[float] = field(default_factory=list)
    off: list[float] = field(default_factory=list)
    size_held: list[bool] = field(default_factory=list)
    date_held: list[bool] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class Truth:
    """level : shape (n,), true level of each run [log]; sd : of a run; steps : (week, size) of each step"""

    level: np.ndarray
    sd: float
    steps: list[tuple[int, float]]


def errors_of(seed: int, jump_sd: float, cache: Path | None) -> pd.DataFrame:
    """The calibration's errors of one lab, with the truth beside them."""
    kept = cache / f"lab-{seed}-{jump_sd:g}.pkl" if cache else None
    if kept and kept.exists():
        return pd.read_pickle(kept)
    lab = simulate(seed, weeks=WEEKS, jump_sd=(jump_sd, jump_sd))
    keys = ["build_id", "process", "stage"]
    truth = lab.truth[["week", "moved", "jumped", "whole_sd"]].join(lab.runs[keys])
    errors = Calibrator().fit(lab.runs).errors_.merge(truth, on=keys, validate="1:1")
    if kept:
        kept.parent.mkdir(parents=True, exist_ok=True)
        errors.to_pickle(kept)
    return errors


def truth_of(rows: pd.DataFrame) -> Truth:
    moved, sd = rows["moved"].to_numpy(), float(rows["whole_sd"].iloc[0])
    jumped = rows["jumped"].to_numpy()
    of_stage = np.where(np.cumsum(jumped != 0) > 0, jumped[np.argmax(jumped != 0) :].mean(), 0.0)
    week, step = rows["week"].to_numpy(), np.diff(moved)
    at = np.flatnonzero(np.abs(step) > 0.5 * sd)
    return Truth(moved + of_stage, sd, [(int(week[i + 1]), float(step[i])) for i in at])


def ours(charts: list[Series]) -> list[list[Alarm]]:
    limits = chart_limits(
        [c.error / c.scale for c in charts], np.array([c.pace for c in charts]), FALSE_A_YEAR * LEVEL_SHARE
    )
    return [
        news(c.value, c.scale, find_alarms(c.value, c.scale, h, c.pace, c.settled))
        for c, h in zip(charts, limits, strict=True)
    ]


def mondays(seed: int, jump_sd: float, charts: list[Series]) -> list[list[Alarm]]:
    """Alarms as a reader of the weekly page meets them, each on the Monday on which it is new on the page."""
    runs, known = simulate(seed, weeks=WEEKS, jump_sd=(jump_sd, jump_sd)).runs, Checkpoints()
    place = {(chart.process, chart.stage): chart for chart in charts}
    found: dict[tuple[str, str], list[Alarm]] = {key: [] for key in place}
    before, kept = set[tuple[str, str, int]](), Kept()
    for week in range(FIRST_LOOK, WEEKS + 1):
        until = MONDAY + pd.Timedelta(weeks=week)
        errors = Calibrator().fit(runs[runs["ended_at"] < until], checkpoints=known).errors_
        document = check_drift(errors, errors["ended_at"].max(), false_alarms_per_year=FALSE_A_YEAR, kept=kept)
        kept, now = kept.after(document), set()
        for row in (row for row in document["stages"] if row["state"] == "drifting"):
            key, sign = (row["process"], row["stage"]), int(np.sign(row["change_pct"]))
            now.add((*key, sign))
            if (*key, sign) not in before:
                days_of = days(pd.Series([until, pd.Timestamp(row["since"], tz="UTC")]))
                run, first = map(int, np.searchsorted(place[key].at, days_of))
                found[key].append(Alarm(max(run - 1, first), first, sign))
        before = now
    return list(found.values())


def cusum_on_errors(charts: list[Series]) -> list[list[Alarm]]:
    scores = [np.clip(c.error / c.scale, -2, 2) for c in charts]
    logs = log_run_lengths(np.concatenate([*scores, *[-s for s in scores]]), 0.25)
    share = FALSE_A_YEAR / len(charts)
    found = [find_cusum(s, 0.25, limit_for(2 * c.pace / share, logs)) for s, c in zip(scores, charts, strict=True)]
    return [[Alarm(a.run, a.from_run, a.sign) for a in alarms] for alarms in found]


def count(tally: Tally, chart: Series, alarms: list[Alarm]) -> None:
    """Credit a chart's alarms with its true steps and creeps."""
    truth = truth_of(chart.rows)
    at = (chart.rows["ended_at"] - MONDAY).dt.total_seconds().to_numpy() / (7 * 86400)
    open_steps, last = [s for s in truth.steps if abs(s[1]) > 0.9 * truth.sd], 0
    others = [s for s in truth.steps if s not in open_steps]
    tally.steps += len(open_steps)
    for alarm in alarms:
        mine = [s for s in open_steps + others if s[1] * alarm.sign > 0 and at[alarm.run] >= s[0]]
        since = truth.level[last : alarm.run + 1]
        gone = alarm.sign * (truth.level[alarm.run] - (since.min() if alarm.sign > 0 else since.max()))
        if mine and mine[0] in open_steps:
            open_steps.remove(mine[0])
            credit(tally, chart, alarm, mine[0], at)
        elif mine:
            others.remove(mine[0])
        elif gone >= 0.5 * truth.sd:
            tally.creeps += 1
        else:
            tally.false += 1
        last = alarm.run


def credit(tally: Tally, chart: Series, alarm: Alarm, step: tuple[int, float], at: np.ndarray) -> None:
    """A step of 1 sd was found: how soon, how well dated, and do the ranges of date and size hold it five weeks later?"""
    tally.weeks.append(at[alarm.run] - step[0])
    tally.off.append(abs(at[alarm.first] - step[0]))
    later = slice(max(0, alarm.first - 250), int(np.searchsorted(at, at[alarm.run] + 5)))
    change = find_change(chart.value[later], chart.scale[later], chart.at[later])
    first = int(np.searchsorted(at[later], step[0]))
    tally.date_held.append(change.low <= first <= change.high)
    tally.size_held.append(change.size_low <= step[1] <= change.size_high)


def shown(name: str, one: Tally) -> str:
    weeks = np.array(one.weeks + [np.inf] * (one.steps - len(one.weeks)))
    years = one.labs * WEEKS / 52.18
    return (
        f"{name:34} {one.false / years:5.2f} {one.creeps / years:5.2f} | {100 * len(one.weeks) / one.steps:4.0f} % "
        f"{np.median(weeks):5.1f} | {100 * np.mean(np.array(one.off) <= 2):4.0f} % {100 * np.mean(one.date_held):4.0f} % "
        f"{100 * np.mean(one.size_held):4.0f} %"
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--labs", type=int, default=16)
    parser.add_argument("--first", type=int, default=101)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--mondays", action="store_true")
    chosen = parser.parse_args()
    tallies: dict[str, Tally] = defaultdict(Tally)
    spent: dict[str, float] = defaultdict(float)
    for i in range(4 if chosen.quick else chosen.labs):
        seed, jump_sd = chosen.first + i, float(i % 2 == 0)
        errors = errors_of(seed, jump_sd, chosen.cache)
        charts = [chart for chart in find_series(errors, errors["ended_at"].max()) if chart.enough]
        rules: dict[str, Rule] = {"ours": ours, "clipped CUSUM on the errors": cusum_on_errors}
        if chosen.mondays:
            rules["ours, every Monday anew"] = partial(mondays, seed, jump_sd)
        for name, rule in rules.items():
            start = time.process_time()
            found = rule(charts)
            spent[name] += time.process_time() - start
            tallies[name].labs += 1
            for chart, alarms in zip(charts, found, strict=True):
                count(tallies[name], chart, alarms)
    print(
        f"{'rule':34} false, creeps a lab-year | 1 sd found, median weeks | dated within 2 weeks, date, size in 90 % range"
    )
    for name, tally in tallies.items():
        print(f"{shown(name, tally)} | {spent[name] / tally.labs:.2f} s CPU a lab", flush=True)


if __name__ == "__main__":
    main()
