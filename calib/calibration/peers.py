"""Does the model earn its keep? Well-known libraries' models, last runs and the plan alone on the same rows and weeks.

Needs scikit-learn and statsmodels (the extra ``calib[peers]``), loaded only when a peer is run.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from math import ceil
from typing import Any

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from calib.calibration.backtest import WARM_UP_WEEKS
from calib.calibration.scores import LEVELS, weighted_interval_score
from calib.progress import Count, no_count

FACTORS = ("machine", "operator", "material")
FEWEST, LAST = 30, 20  # rows that a peer is asked with at least; runs that the last ones are
# small trees: with 150 of 31 leaves 80 % ranges held 52 to 71 % on the sets of bench/bench_public.py, scores were up to a tenth worse
BOOSTING: dict[str, Any] = {"max_iter": 60, "learning_rate": 0.08, "max_leaf_nodes": 6, "min_samples_leaf": 30}
ROUNDS = 12  # times that peers learn anew over a replay: each week would take hours
MOST_LABELS = 50  # of a factor in the mixed model: four thousand aircraft within routes would not end in an hour
Peer = Callable[[pd.DataFrame, pd.DataFrame, tuple[str, ...]], np.ndarray]


def replay_peer(
    peer: Peer, runs: pd.DataFrame, group: tuple[str, ...], step: int = 1, progress: Count = no_count
) -> pd.DataFrame:
    """The table of ``calib.calibration.backtest`` for a peer; it learns anew every ``step`` weeks.

    Gross outliers are taken off its training rows (beyond 6 robust sd of their cell): peers have no part for them.
    """
    import sklearn.ensemble  # noqa: F401  before the limit of threads, which binds only what is loaded

    runs = runs.reset_index(drop=True)
    ended = pd.to_datetime(runs["ended_at"], utc=True)
    week = ((ended - pd.Timestamp("1970-01-05", tz="UTC")).dt.days // 7).to_numpy()
    week = week - week.min()
    good = ~runs["censored"].to_numpy(bool) if "censored" in runs else np.ones(len(runs), bool)
    runs = runs.assign(y=np.log(runs["actual_min"] / runs["baseline_min"]), x=np.log(runs["baseline_min"]))
    tables = []
    first = min(WARM_UP_WEEKS, len(np.unique(week)) // 2)
    for origin in range(first, int(week.max()) + 1, step):
        progress(origin - first, int(week.max()) + 1 - first)
        train, at = runs[(week < origin) & good], np.flatnonzero((week >= origin) & (week < origin + step) & good)
        if not len(at) or len(train) < FEWEST:
            continue
        test = runs.iloc[at]
        with threadpool_limits(limits=1):  # many small steps: beside other work threads cost several times the time
            found = np.sort(peer(_without_gross(train, group), test, group), axis=1)
        table = pd.DataFrame(test["baseline_min"].to_numpy()[:, None] * np.exp(found), columns=list(LEVELS))
        low, high = np.quantile(train["y"], [0.1, 0.9])
        table.insert(0, "week", week[at])
        for name in ("actual_min", "baseline_min", *group[::-1]):
            table.insert(0, name, test[name].to_numpy())
        counts = train.groupby(list(group)).size()
        table["runs_behind"] = counts.reindex(cells_of(test, group)).fillna(0).to_numpy(int)
        table["baseline_low"], table["baseline_high"] = (
            test["baseline_min"].to_numpy() * np.exp(v) for v in (low, high)
        )
        table["source"] = at
        tables.append(table)
    table = pd.concat(tables, ignore_index=True)
    return table[[*group, "week", *[name for name in table if name not in (*group, "week")]]]


def cells_of(rows: pd.DataFrame, group: tuple[str, ...]) -> pd.Index:
    """The cell of each row, as a table grouped by ``group`` has them in its index."""
    return pd.Index(rows[group[0]]) if len(group) == 1 else pd.MultiIndex.from_frame(rows[list(group)])


def _without_gross(train: pd.DataFrame, group: tuple[str, ...]) -> pd.DataFrame:
    cells = train.groupby(list(group))["y"]
    off = train["y"] - cells.transform("median")
    spread = off.abs().groupby([train[name] for name in group]).transform("median") * 1.4826
    whole = float(off.abs().median()) * 1.4826
    enough = cells.transform("size") >= 10
    kept = (off.abs() / np.where(enough, np.maximum(spread, 0.02), whole)).to_numpy() < 6
    return train.loc[kept]


def boosted_quantiles(train: pd.DataFrame, test: pd.DataFrame, group: tuple[str, ...]) -> np.ndarray:
    """Gradient boosting with the pinball loss, one model a level; the plan's size and the week are features.

    Returns logs of actual over baseline at LEVELS of the rows of ``test``, shape (rows, len(LEVELS)) [log].
    """
    from sklearn.ensemble import HistGradientBoostingRegressor

    features, kinds = _features(train, test, group)
    result = []
    for level in LEVELS:
        model = HistGradientBoostingRegressor(
            loss="quantile", quantile=level, **BOOSTING,
            categorical_features=kinds, random_state=0,
        )  # fmt: skip
        result.append(model.fit(features[: len(train)], train["y"]).predict(features[len(train) :]))
    return np.array(result).T


def _features(train: pd.DataFrame, test: pd.DataFrame, group: tuple[str, ...]) -> tuple[np.ndarray, list[bool]]:
    """Features of training rows, then of test rows, and which of them are categories."""
    columns = [name for name in (*group, *FACTORS) if name in train]
    both = pd.concat([train, test])
    codes = [_codes(both[name], len(train)) for name in columns]
    numbers = [both["x"], _days(both), *([np.log(both["parts"])] if "parts" in both else [])]
    return np.column_stack([*codes, *numbers]), [True] * len(columns) + [False] * len(numbers)


def mixed_model(train: pd.DataFrame, test: pd.DataFrame, group: tuple[str, ...]) -> np.ndarray:
    """A linear mixed model of a statistics library: size; cells, and factors within them, at random.

    Its noise is one for all; residuals of each cell make it the cell's own afterwards, which the library lacks.
    Returns logs of actual over baseline at LEVELS of the rows of ``test``, shape (rows, len(LEVELS)) [log].
    """
    import statsmodels.api as sm
    from scipy import stats

    factors = [name for name in FACTORS if name in train and train[name].nunique() <= MOST_LABELS]
    train, test = (_named(rows, group, factors) for rows in (train, test))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = sm.MixedLM.from_formula(
            "y ~ x", train, groups="cell", re_formula="1", vc_formula={name: f"0 + C({name})" for name in factors}
        )
        fit = model.fit(reml=True)
        try:
            effects = fit.random_effects
        except ValueError:  # the library says no effects where cells do not differ: then none is told from nought
            effects = {}
    effect = {
        (name.split("[", 1)[0] if "[" in name else "cell", cell, name.split("[C", 1)[-1]): value
        for cell, found in effects.items()
        for name, value in found.items()
    }
    middle = fit.fe_params["Intercept"] + fit.fe_params["x"] * test["x"].to_numpy()
    left = fit.resid if effects else train["y"] - model.exog @ fit.fe_params.to_numpy()
    variance = (
        _noise_of_cells(np.asarray(left), fit.scale, train["cell"])
        .reindex(test["cell"])
        .fillna(fit.scale)
        .to_numpy(copy=True)
    )
    spread = {"cell": float(fit.cov_re.iloc[0, 0])} | dict(zip(model.exog_vc.names, fit.vcomp, strict=True))
    for kind in ("cell", *factors):
        labels = test["cell"] if kind == "cell" else f"({kind})[" + test[kind] + "]]"
        found = [effect.get((kind, cell, label)) for cell, label in zip(test["cell"], labels, strict=True)]
        middle += np.array([value or 0.0 for value in found])
        variance += spread[kind] * np.array([value is None for value in found])
    return np.asarray(middle[:, None] + np.sqrt(variance)[:, None] * stats.norm.ppf(LEVELS))


def _noise_of_cells(left: np.ndarray, scale: float, cell: pd.Series) -> pd.Series:
    """Variance of each cell's residuals, worth five rows of the common one."""
    squares = pd.Series(left**2).groupby(cell.to_numpy()).agg(["sum", "size"])
    return pd.Series((squares["sum"] + 5 * scale) / (squares["size"] + 5))


def _named(rows: pd.DataFrame, group: tuple[str, ...], factors: list[str]) -> pd.DataFrame:
    cell = rows[list(group)].astype(str).agg(" ".join, axis=1)
    return rows.assign(cell=cell, **{name: rows[name].astype(object).fillna("none").astype(str) for name in factors})


def _codes(column: pd.Series, learned: int) -> np.ndarray:
    """Codes below 255 of the commonest labels; rarer and never seen ones are missing."""
    counts = column.iloc[:learned].value_counts()
    table = {label: code for code, label in enumerate(counts.index[:250])}
    return column.map(table).to_numpy(float)


def _days(rows: pd.DataFrame) -> np.ndarray:
    ended = pd.to_datetime(rows["ended_at"], utc=True)
    return (ended - ended.min()).dt.total_seconds().to_numpy() / 86400


def quantile_forest(train: pd.DataFrame, test: pd.DataFrame, group: tuple[str, ...]) -> np.ndarray:
    """Quantiles of the rows in the leaves of a forest (Meinshausen 2006), on the features of the boosted one.

    Returns logs of actual over baseline at LEVELS of the rows of ``test``, shape (rows, len(LEVELS)) [log].
    """
    from sklearn.ensemble import RandomForestRegressor

    columns, _ = _features(train, test, group)
    columns = np.nan_to_num(columns, nan=-1.0)
    fitted = RandomForestRegressor(60, min_samples_leaf=8, max_features=0.7, random_state=0)
    fitted.fit(columns[: len(train)], train["y"])
    leaf = fitted.apply(columns)
    return _forest_quantiles(train["y"].to_numpy(), leaf[: len(train)], leaf[len(train) :])


def _forest_quantiles(y: np.ndarray, old: np.ndarray, new: np.ndarray) -> np.ndarray:
    """Quantiles at LEVELS of ``y``, shape (n,), weighted as the leaves say: each tree counts alike, and so does each row
    of a leaf. old, new : shape (n, trees), (m, trees), leaves of learned and of new rows; returns (m, len(LEVELS)).
    """
    trees = range(old.shape[1])
    by_leaf = [np.argsort(old[:, tree], kind="stable") for tree in trees]
    ends = [
        np.searchsorted(old[order, tree], new[:, tree], side)
        for tree, order in enumerate(by_leaf)
        for side in ("left", "right")
    ]
    first, last = ends[::2], ends[1::2]
    result = np.empty((len(new), len(LEVELS)))
    for row in range(len(new)):
        together = [by_leaf[tree][first[tree][row] : last[tree][row]] for tree in trees]
        at = np.concatenate(together)
        weight = np.repeat([1 / len(rows) for rows in together], [len(rows) for rows in together]) / len(trees)
        order = np.argsort(y[at])
        below = np.cumsum(weight[order])
        result[row] = y[at][order][np.minimum(np.searchsorted(below, np.array(LEVELS) - 1e-12), len(at) - 1)]
    return result


def last_runs(train: pd.DataFrame, test: pd.DataFrame, group: tuple[str, ...]) -> np.ndarray:
    """Quantiles of the ratio in the last runs of the same cell; of the last of all where it has fewer than five.

    Returns logs of actual over baseline at LEVELS of the rows of ``test``, shape (rows, len(LEVELS)) [log].
    """
    cells = train.groupby(list(group)).tail(LAST)
    table = cells.groupby(list(group))["y"].quantile(np.array(LEVELS)).unstack()
    table = table[cells.groupby(list(group)).size().reindex(table.index) >= 5]
    found = table.reindex(cells_of(test, group)).to_numpy()
    return np.where(np.isnan(found), np.quantile(train["y"], LEVELS), found)


def plan_alone(train: pd.DataFrame, test: pd.DataFrame, group: tuple[str, ...]) -> np.ndarray:
    """The plan times one ratio for all, as it has been so far.

    Returns logs of actual over baseline at LEVELS of the rows of ``test``, shape (rows, len(LEVELS)) [log].
    """
    return np.broadcast_to(np.quantile(train["y"], LEVELS), (len(test), len(LEVELS)))


PEERS: dict[str, Peer] = {
    "boosted quantiles": boosted_quantiles,
    "quantile forest": quantile_forest,
    "mixed model": mixed_model,
    f"last {LAST} runs": last_runs,
    "plan alone": plan_alone,
}


@dataclass(frozen=True)
class Scored:
    """One model over the rows that all were asked of.

    score : mean weighted interval score of log minutes; held : share inside the 80 % range; seconds : it took
    behind, noise : share of our score by which it lies behind ours (ahead: below 0), and the standard error of that
    """

    name: str
    score: float
    held: float
    seconds: float
    behind: float
    noise: float


@dataclass(frozen=True)
class Compared:
    """models : ours first; weeks : that hold the rows that all were asked of; weeks_between : after which peers learn anew"""

    models: list[Scored]
    weeks: int
    weeks_between: int


def compare_with_peers(
    runs: pd.DataFrame,
    ours: pd.DataFrame,
    seconds: float,
    group: tuple[str, ...],
    progress: Callable[[str, int, int], None] = lambda name, done, total: None,
    others: dict[str, Peer] | None = None,
) -> Compared:
    """Peers beside what ``replay`` said of these runs, on rows that all were asked of.

    ours : the table of ``replay``; seconds : it took; progress : called with a peer's name and its weeks done and in all
    others : the peers; those of the program if None
    """
    step = max(1, ceil(ours["week"].nunique() / ROUNDS))
    tables, took = {"calib": ours}, {"calib": seconds}
    for name, peer in (PEERS if others is None else others).items():
        start = time.perf_counter()
        tables[name] = replay_peer(peer, runs, group, step, partial(progress, name))
        took[name] = time.perf_counter() - start
    shared = sorted(set.intersection(*(set(table["source"]) for table in tables.values())))
    at = {name: table.set_index("source").loc[shared] for name, table in tables.items()}
    scores = {name: _scores(table) for name, table in at.items()}
    week = np.unique(at["calib"]["week"], return_inverse=True)[1]
    models = [_scored(name, at[name], scores, week, took[name]) for name in tables]
    return Compared(models, weeks=int(week.max()) + 1, weeks_between=step)


def _scores(table: pd.DataFrame) -> np.ndarray:
    actual = np.log(table["actual_min"].to_numpy(float))
    return weighted_interval_score(actual, np.log(table[list(LEVELS)].to_numpy(float)), np.array(LEVELS))


def _scored(name: str, table: pd.DataFrame, scores: dict[str, np.ndarray], week: np.ndarray, seconds: float) -> Scored:
    """``noise`` counts weeks, not runs: runs of one week share what happened in it."""
    whole = scores["calib"].mean()
    by_week = np.bincount(week, scores[name] - scores["calib"]) / len(week) / whole
    noise = float(np.sqrt(len(by_week) * by_week.var(ddof=1))) if len(by_week) > 1 else float("nan")
    actual = table["actual_min"]
    held = ((actual >= table[0.1] * (1 - 1e-12)) & (actual <= table[0.9] * (1 + 1e-12))).mean()
    return Scored(name, float(scores[name].mean()), float(held), seconds, float(by_week.sum()), noise)
