"""Well-known libraries' models on the same rows and weeks, so that the table can be made again."""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd

from calib.calibration.backtest import LEVELS, WARM_UP_WEEKS

FACTORS = ("machine", "operator", "material")
MOST_LABELS = 50  # of a factor in the mixed model: four thousand aircraft within routes would not end in an hour
Peer = Callable[[pd.DataFrame, pd.DataFrame, tuple[str, ...]], np.ndarray]


def replay_peer(peer: Peer, runs: pd.DataFrame, group: tuple[str, ...], step: int = 1) -> pd.DataFrame:
    """The table of ``calib.calibration.backtest`` for a peer; it learns anew every ``step`` weeks.

    Gross outliers are taken off its training rows (beyond 6 robust sd of their cell): peers have no part for them.
    """
    runs = runs.reset_index(drop=True)
    ended = pd.to_datetime(runs["ended_at"], utc=True)
    week = ((ended - pd.Timestamp("1970-01-05", tz="UTC")).dt.days // 7).to_numpy()
    week = week - week.min()
    good = ~runs["censored"].to_numpy(bool) if "censored" in runs else np.ones(len(runs), bool)
    runs = runs.assign(y=np.log(runs["actual_min"] / runs["baseline_min"]), x=np.log(runs["baseline_min"]))
    tables = []
    for origin in range(WARM_UP_WEEKS, int(week.max()) + 1, step):
        train, at = runs[(week < origin) & good], np.flatnonzero((week >= origin) & (week < origin + step) & good)
        if not len(at):
            continue
        test = runs.iloc[at]
        found = np.sort(peer(_without_gross(train, group), test, group), axis=1)
        table = pd.DataFrame(test["baseline_min"].to_numpy()[:, None] * np.exp(found), columns=list(LEVELS))
        low, high = np.quantile(train["y"], [0.1, 0.9])
        table.insert(0, "week", week[at])
        for name in ("actual_min", "baseline_min", *group[::-1]):
            table.insert(0, name, test[name].to_numpy())
        counts = train.groupby(list(group)).size()
        table["runs_behind"] = counts.reindex(pd.MultiIndex.from_frame(test[list(group)])).fillna(0).to_numpy(int)
        table["baseline_low"], table["baseline_high"] = (
            test["baseline_min"].to_numpy() * np.exp(v) for v in (low, high)
        )
        table["source"] = at
        tables.append(table)
    table = pd.concat(tables, ignore_index=True)
    return table[[*group, "week", *[name for name in table if name not in (*group, "week")]]]


def _without_gross(train: pd.DataFrame, group: tuple[str, ...]) -> pd.DataFrame:
    cells = train.groupby(list(group))["y"]
    off = train["y"] - cells.transform("median")
    spread = off.abs().groupby([train[name] for name in group]).transform("median") * 1.4826
    whole = float(off.abs().median()) * 1.4826
    enough = cells.transform("size") >= 10
    return train[(off.abs() / np.where(enough, np.maximum(spread, 0.02), whole)) < 6]


def boosted_quantiles(train: pd.DataFrame, test: pd.DataFrame, group: tuple[str, ...]) -> np.ndarray:
    """Gradient boosting with the pinball loss, one model a level; the plan's size and the week are features."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    features, kinds = _features(train, test, group)
    result = []
    for level in LEVELS:
        model = HistGradientBoostingRegressor(
            loss="quantile", quantile=level, max_iter=150, learning_rate=0.08, min_samples_leaf=15,
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
    effect = {
        (name.split("[", 1)[0] if "[" in name else "cell", cell, name.split("[C", 1)[-1]): value
        for cell, found in fit.random_effects.items()
        for name, value in found.items()
    }
    middle = fit.fe_params["Intercept"] + fit.fe_params["x"] * test["x"].to_numpy()
    variance = _noise_of_cells(fit, train["cell"]).reindex(test["cell"]).fillna(fit.scale).to_numpy(copy=True)
    spread = {"cell": float(fit.cov_re.iloc[0, 0])} | dict(zip(model.exog_vc.names, fit.vcomp, strict=True))
    for kind in ("cell", *factors):
        labels = test["cell"] if kind == "cell" else f"({kind})[" + test[kind] + "]]"
        found = [effect.get((kind, cell, label)) for cell, label in zip(test["cell"], labels, strict=True)]
        middle += np.array([value or 0.0 for value in found])
        variance += spread[kind] * np.array([value is None for value in found])
    return middle[:, None] + np.sqrt(variance)[:, None] * stats.norm.ppf(LEVELS)


def _noise_of_cells(fit, cell: pd.Series) -> pd.Series:  # type: ignore[no-untyped-def]
    """Variance of each cell's residuals, worth five rows of the common one."""
    squares = pd.Series(np.asarray(fit.resid) ** 2).groupby(cell.to_numpy()).agg(["sum", "size"])
    return (squares["sum"] + 5 * fit.scale) / (squares["size"] + 5)


def _named(rows: pd.DataFrame, group: tuple[str, ...], factors: list[str]) -> pd.DataFrame:
    cell = rows[list(group)].astype(str).agg(" ".join, axis=1)
    return rows.assign(cell=cell, **{name: rows[name].astype(object).fillna("none").astype(str) for name in factors})


def conformal(train: pd.DataFrame, test: pd.DataFrame, group: tuple[str, ...]) -> np.ndarray:
    """Conformal predictive system of a library around boosted medians, by cell where the last quarter has 20 runs of it.

    Where no finite value is valid it gets the least or greatest ratio that was ever seen.
    """
    from crepes import ConformalPredictiveSystem
    from sklearn.ensemble import HistGradientBoostingRegressor

    learned, kinds = _features(train, test, group)
    old = np.arange(len(train)) < 0.75 * len(train)
    model = HistGradientBoostingRegressor(
        loss="absolute_error", max_iter=150, learning_rate=0.08, min_samples_leaf=15, categorical_features=kinds,
        random_state=0,
    ).fit(learned[: len(train)][old], train["y"][old])  # fmt: skip
    recent, middle = train[~old], model.predict(learned)
    bins, counts = _named(recent, group, [])["cell"], _named(recent, group, [])["cell"].value_counts()
    large = set(counts.index[counts >= 20])
    system = ConformalPredictiveSystem().fit(
        recent["y"].to_numpy() - middle[: len(train)][~old], bins=np.where(bins.isin(large), bins, "others"), seed=0
    )
    new = _named(test, group, [])["cell"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it says where no finite value is valid
        return system.predict_percentiles(
            middle[len(train) :], bins=np.where(new.isin(large), new, "others"),
            higher_percentiles=[100 * level for level in LEVELS], y_min=train["y"].min(), y_max=train["y"].max(),
        )  # fmt: skip


def cell_quantiles(train: pd.DataFrame, test: pd.DataFrame, group: tuple[str, ...]) -> np.ndarray:
    """Each cell's own quantiles of the ratio; all runs' where a cell has fewer than five."""
    table = train.groupby(list(group))["y"].quantile(list(LEVELS)).unstack()
    counts = train.groupby(list(group)).size()
    table = table[counts.reindex(table.index) >= 5]
    found = table.reindex(pd.MultiIndex.from_frame(test[list(group)])).to_numpy()
    return np.where(np.isnan(found), np.quantile(train["y"], LEVELS), found)


def _codes(column: pd.Series, learned: int) -> np.ndarray:
    """Codes below 255 of the commonest labels; rarer and never seen ones are missing."""
    counts = column.iloc[:learned].value_counts()
    table = {label: code for code, label in enumerate(counts.index[:250])}
    return column.map(table).to_numpy(float)


def _days(rows: pd.DataFrame) -> np.ndarray:
    ended = pd.to_datetime(rows["ended_at"], utc=True)
    return (ended - ended.min()).dt.total_seconds().to_numpy() / 86400


PEERS: dict[str, Peer] = {
    "boosted quantiles": boosted_quantiles,
    "linear mixed model": mixed_model,
    "conformal, around boosting": conformal,
    "each cell's own quantiles": cell_quantiles,
}
