"""Peers of the benchmarks: those of the program, and two more that are slower or poorer."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd

from calib.calibration.peers import PEERS as OF_THE_PROGRAM
from calib.calibration.peers import Peer, _features, _named, cells_of, replay_peer
from calib.calibration.scores import LEVELS

FINITE = 40  # runs of a bin from which on a 97.5 % point is finite
__all__ = ["PEERS", "replay_peer"]


def conformal(train: pd.DataFrame, test: pd.DataFrame, group: tuple[str, ...]) -> np.ndarray:
    """Conformal predictive system of a library around boosted medians, by cell where the last quarter has 40 runs of it.

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
    large = set(counts.index[counts >= FINITE])
    if counts[~counts.index.isin(large)].sum() < FINITE:  # the library breaks where one of several bins is too small
        large = set()
    kinds_of_cell = [np.where(names.isin(large), names, "others") if large else None
                     for names in (bins, _named(test, group, [])["cell"])]  # fmt: skip
    system = ConformalPredictiveSystem().fit(
        recent["y"].to_numpy() - middle[: len(train)][~old], bins=kinds_of_cell[0], seed=0
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it says where no finite value is valid
        return system.predict_percentiles(
            middle[len(train) :], bins=kinds_of_cell[1],
            higher_percentiles=[100 * level for level in LEVELS], y_min=train["y"].min(), y_max=train["y"].max(),
        )  # fmt: skip


def cell_quantiles(train: pd.DataFrame, test: pd.DataFrame, group: tuple[str, ...]) -> np.ndarray:
    """Each cell's own quantiles of the ratio; all runs' where a cell has fewer than five."""
    table = train.groupby(list(group))["y"].quantile(list(LEVELS)).unstack()
    counts = train.groupby(list(group)).size()
    table = table[counts.reindex(table.index) >= 5]
    found = table.reindex(cells_of(test, group)).to_numpy()
    return np.where(np.isnan(found), np.quantile(train["y"], LEVELS), found)


PEERS: dict[str, Peer] = OF_THE_PROGRAM | {
    "conformal, around boosting": conformal,
    "each cell's own quantiles": cell_quantiles,
}
