"""The past replayed week by week, never looking ahead: were the ranges honest?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from calib.calibration.columns import whole_number
from calib.calibration.options import MOST_WEEKS, Options
from calib.calibration.predict import row_quantiles
from calib.calibration.rows import Rows, read_runs
from calib.calibration.scores import CENTRAL, LEVELS, interval_score
from calib.calibration.second_law import SecondLaw
from calib.documents.model import BacktestDocument, Coverage, ScoredCell
from calib.progress import Count, no_count

if TYPE_CHECKING:
    from calib.calibration.checkpoints import Checkpoints

WARM_UP_WEEKS = 8
GROWN = 1.25  # times the rows of the last time, and the second law is learned anew in a replay


def replay(
    runs: pd.DataFrame,
    weeks: int | None = None,
    options: dict[str, Any] | None = None,
    progress: Count = no_count,
    checkpoints: Checkpoints | None = None,
) -> pd.DataFrame:
    """Quantiles of each run as they were expected at the start of its week.

    weeks : score the last so many; all but the first WARM_UP_WEEKS if None (half of them where there are fewer)
    progress : called with the number of runs gone through and of all, week by week
    checkpoints : of earlier fits: weeks before the first that is scored are not learned again where one knows them; the
        result is the same to the last bit
    Returns group columns, week (0 is the first), baseline_min, actual_min, a column for each of LEVELS [min],
    baseline_low and baseline_high (the 80 % range from one global ratio at the time), runs_behind, and
    ``source``: the place of the run in ``runs``. Censored runs are not scored.
    """
    from calib.calibration.forward_pass import begin
    from calib.calibration.learn_second_law import learn_second_law, past_of
    from calib.calibration.own_first_runs import as_first_runs_say

    made = Options(**(options or {}))
    rows = read_runs(runs, made)
    numbers = np.unique(rows.week)
    count = len(numbers)
    first = count - whole_number(weeks, "weeks", 1, MOST_WEEKS) if weeks is not None else min(WARM_UP_WEEKS, count // 2)
    since = int(numbers[max(first, 0)]) if count else 0
    tables: list[pd.DataFrame] = []
    made = as_first_runs_say(rows.take(0, int(np.searchsorted(rows.week, since)))[0], made)
    passing = begin(rows, made, checkpoints.before(since) if checkpoints else None)
    passing.checkpoints = None  # none are added
    law, learned_of = SecondLaw(), 0
    for week in passing.weeks():
        progress(int(week.at[-1]) + 1, rows.count)
        if week.number >= since:
            if made.trees and week.at[0] > GROWN * learned_of:
                law, learned_of = learn_second_law(past_of(passing, int(week.at[0]))), int(week.at[0])
            week.state.second_law = law
            minutes = row_quantiles(week.state, week.rows, week.prediction, np.array(LEVELS))
            number = week.number - int(rows.week[0])
            tables.append(_table(minutes, week.rows, week.behind, number, week.at, rows))
    return _named(tables, runs, rows, made)


def score(frame: pd.DataFrame) -> BacktestDocument:
    """Coverage and mean 80 % interval score on log minutes of a replay: the numbers of ``backtest``."""
    group = list(frame.columns[: list(frame.columns).index("week")])
    names = {"process", "stage"} <= set(group)
    cells = []
    for labels, rows in frame.groupby(group, sort=True):
        named = dict(zip(group, labels, strict=True))
        cell = named if not names else {name: named[name] for name in ("process", "stage")}
        scored = {
            "predictions": len(rows),
            "coverage": _coverage(rows),
            "interval_score": _mean_score(rows, 0.1, 0.9),
        }
        cells.append(cast(ScoredCell, cell | scored))  # other trades group by other columns
    return {
        "weeks": int(frame["week"].nunique()),
        "predictions": len(frame),
        "coverage": _coverage(frame),
        "interval_score": _mean_score(frame, 0.1, 0.9),
        "interval_score_baseline_only": _mean_score(frame, "baseline_low", "baseline_high"),
        "cells": cells,
    }


def _table(minutes: np.ndarray, some: Rows, behind: np.ndarray, week: int, at: np.ndarray, rows: Rows) -> pd.DataFrame:
    past = rows.y[: at[0]] if at[0] else np.array([-0.7, 0.7])  # before any run: a factor of two either way
    low, high = np.quantile(past, [0.1, 0.9])
    table = pd.DataFrame(minutes, columns=list(LEVELS))
    table["week"], table["runs_behind"], table["at"] = week, behind.astype(int), at
    table["baseline_low"], table["baseline_high"] = some.baseline_min * np.exp(low), some.baseline_min * np.exp(high)
    return table[~some.censored]


def _named(tables: list[pd.DataFrame], runs: pd.DataFrame, rows: Rows, options: Options) -> pd.DataFrame:
    columns = ["week", "baseline_min", "actual_min", *LEVELS, "baseline_low", "baseline_high", "runs_behind", "source"]
    if not tables:
        return pd.DataFrame(columns=[*options.group, *columns])
    table = pd.concat(tables, ignore_index=True)
    table["source"] = rows.source[table.pop("at").to_numpy(int)]
    kept = runs.iloc[table["source"]].reset_index(drop=True)
    for name in (*options.group, "baseline_min", "actual_min"):
        table[name] = kept[name]
    return table[[*options.group, *columns]]


def _coverage(rows: pd.DataFrame) -> Coverage:
    """Share inside each central range; a bound that equals the actual covers it. None for no rows."""
    if not len(rows):
        return dict.fromkeys(CENTRAL)
    actual = rows["actual_min"].to_numpy(float)
    inside = {
        name: (actual >= rows[low].to_numpy() * (1 - 1e-12)) & (actual <= rows[high].to_numpy() * (1 + 1e-12))
        for name, (low, high) in CENTRAL.items()
    }
    return {name: round(float(found.mean()), 4) for name, found in inside.items()}


def _mean_score(rows: pd.DataFrame, low: Any, high: Any) -> float | None:
    if not len(rows):
        return None
    log = {name: np.log(rows[name].to_numpy(float)) for name in ("actual_min", low, high)}
    return round(float(interval_score(log["actual_min"], log[low], log[high], 0.8).mean()), 5)
