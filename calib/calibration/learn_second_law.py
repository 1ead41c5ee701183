"""Fits the second law: trees, a gate learned out of time, a conformal stretch. Loads scikit-learn; predicting does not.

two folds, the third and the fourth quarter of the rows:  E = forest fitted on the rows before a fold, its quantiles of it;
C = the model's one-step-ahead ones
g* = the g in 0, .1 .. 1 of least score of (1 - g) C + g E over both;  gain = 1 - score(g*) / score(0), its error clustered by
week or by longer stretches of time, whichever is larger
weight = g* (1 - (error / gain)^2) where the gain exceeds both 1 % and its error, and in the last fold alone 1 % too; else 0
stretch[level] = conformal stretch of the blend on the last fold, shrunk towards 1
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from calib.calibration.forward_pass import FilterRun, joined
from calib.calibration.normal_plus_t import quantile
from calib.calibration.options import FACTORS
from calib.calibration.recalibrate import LEVELS as CENTRAL
from calib.calibration.recalibrate import stretched_scores
from calib.calibration.rows import WEEK_NS
from calib.calibration.scores import conformal_rank, weighted_interval_score
from calib.calibration.second_law import LEVELS, NUMBERS, SCORES, LabelMeans, SecondLaw, Signs, Trees
from calib.calibration.state import first_parts

# Our choices, unless stated otherwise; bench/bench_public.py and bench/bench_calibration.py score the whole on logs of others and of simulators.
FEWEST = 300  # rows from which on trees can say anything
PLENTY = 2000  # rows from which on a second learner helps
MOST = 20_000  # of the newest rows are learned from: what a week's refit may cost
IN_FOREST = 4000  # of the newest rows make the forest
LEAST_GAIN = 0.01  # of the score: less is noise
STRETCHES = 12  # of time that a gain's error is clustered by too: a season makes weeks alike
LABEL_ROWS = 20.0  # rows that the mean of all is worth to a label's
STRETCH_ROWS = 200.0  # rows that a stretch of 1 is worth
NARROW = 1e-3  # log units: half of a range is not taken for narrower when its stretch is learned
FOREST, LEAF, POINTS = 40, 10, 16  # trees, rows of a leaf at least, values kept of a leaf
BOOSTED = (0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975)
BOOSTING: dict[str, Any] = {
    "max_iter": 50, "learning_rate": 0.1, "max_leaf_nodes": 15, "min_samples_leaf": 30, "early_stopping": False,
}  # fmt: skip


@dataclass(eq=False)
class Past:
    """Rows as they came: signs; y, shape (n,), log(actual / baseline); model, shape (n, len(LEVELS)), its quantiles of y
    before it knew them; week, shape (n,). In order of their ends.
    """

    signs: Signs
    y: np.ndarray
    model: np.ndarray
    week: np.ndarray

    def take(self, at: slice | np.ndarray) -> Past:
        """Some of the rows; at : a span, or shape (k,), places of rows [-]."""
        return Past(self.signs.take(at), self.y[at], self.model[at], self.week[at])


def past_of(passing: FilterRun, count: int) -> Past:
    """The first ``count`` rows of a run, those that are known only to be longer left out."""
    rows, coded = passing.rows, passing.coded
    before = {name: values[:count] for name, values in joined(passing.remembered).items()}
    first = first_parts(rows.part_row, rows.count)
    signs = Signs(
        np.log(rows.baseline_min[:count]), before["location"], np.log(np.hypot(before["tau"], before["sigma"])),
        np.log1p(before["behind"]), rows.ended[:count] / WEEK_NS,
        {name: coded.codes[name][first][:count] for name in (*passing.learner.options.group, *FACTORS)},
    )  # fmt: skip
    score = stretched_scores(SCORES, before["stretch"])
    off = quantile(score, before["tau"], before["sigma"], passing.learner.options.nu)
    seen = np.flatnonzero(~rows.censored[:count])
    past = Past(signs, rows.y[:count], before["location"][:, None] + off, rows.week[:count])
    return past.take(seen)


# many small steps: beside other work threads cost eight times the time
@threadpool_limits.wrap(limits=1, user_api="openmp")  # type: ignore[untyped-decorator, unused-ignore]
def learn_second_law(past: Past) -> SecondLaw:
    """The second law of these rows; its weight is 0 where trees win nothing."""
    past = past.take(slice(max(len(past.y) - MOST, 0), None))
    n = len(past.y)
    if n < FEWEST:
        return SecondLaw()
    folds = [past.take(slice(n // 2, 3 * n // 4)), past.take(slice(3 * n // 4, n))]
    laws = [
        _with_trees(past.take(slice(n - rows)), SecondLaw(weight=1.0, rows=n)) for rows in (n - n // 2, n - 3 * n // 4)
    ]
    weight, gain = gate(folds, [law.quantiles(fold.signs) for law, fold in zip(laws, folds, strict=True)])
    if weight == 0:
        return SecondLaw(gain=gain, rows=n)
    law, new = laws[-1], folds[-1]
    law.weight, law.gain = weight, gain
    if n >= PLENTY:
        law.boosted = _boosted(past.take(slice(3 * n // 4)), law.means)
    law.stretch = conformal_stretch(new.y, law.blend(np.hstack([new.model, new.model]), SCORES, new.signs))
    law = _with_trees(past, law)
    law.boosted = _boosted(past, law.means) if n >= PLENTY else {}
    return law


def gate(folds: list[Past], trees: list[np.ndarray]) -> tuple[float, float]:
    """Weight of the trees' quantiles, shape (n, len(LEVELS)) for each fold, and what they win of the score of rows never seen.

    The gain is shrunk as one of known error is (the positive part of James and Stein's estimator, 1961), the weight with it.
    The score is of log minutes [log]; weight and gain are shares [-].
    """
    shares = np.linspace(0, 1, 11)
    pairs = list(zip(folds, trees, strict=True))
    scores = np.array(
        [np.hstack([weighted_interval_score(new.y, (1 - g) * new.model + g * grown, LEVELS) for new, grown in pairs]) for g in shares]
    )  # fmt: skip
    best, whole = int(scores.mean(axis=1).argmin()), scores[0].mean()
    won = (scores[0] - scores[best]) / whole
    gain, latest = float(won.mean()), float(won[-len(folds[-1].y) :].mean())
    week = np.unique(np.concatenate([new.week for new in folds]), return_inverse=True)[1]
    error = max(_error_of_mean(won, week), _error_of_mean(won, np.arange(len(won)) * STRETCHES // len(won)))
    if gain <= max(LEAST_GAIN, error) or latest <= LEAST_GAIN:
        return 0.0, gain
    return float(shares[best] * (1 - (error / gain) ** 2)), gain


def _error_of_mean(values: np.ndarray, cluster: np.ndarray) -> float:
    """Standard error of the mean of values, shape (n,), that share what happened in their cluster."""
    sums = np.bincount(cluster, values) / len(values)
    return float(np.sqrt(len(sums) * sums.var(ddof=1))) if len(sums) > 1 else float("inf")


def conformal_stretch(y: np.ndarray, quantiles: np.ndarray) -> np.ndarray:
    """What central ranges must be stretched by to hold y, shape (n,), as often as they say; shape (len(CENTRAL),).

    quantiles : shape (n, len(LEVELS)). Shrunk towards 1 on the log: n rows count n / (n + STRETCH_ROWS).
    y and quantiles are logs of actual over baseline [log]; the stretch is a factor [-].
    """
    middle, off = quantiles[:, len(LEVELS) // 2], y - quantiles[:, len(LEVELS) // 2]
    stretch = np.ones(len(CENTRAL))
    for place, level in enumerate(CENTRAL):
        low, high = (quantiles[:, np.isclose(LEVELS, end)][:, 0] for end in ((1 - level) / 2, (1 + level) / 2))
        miss = np.sort(
            np.where(off < 0, -off / np.maximum(middle - low, NARROW), off / np.maximum(high - middle, NARROW))
        )
        rank = conformal_rank(len(y), level) or len(y)
        stretch[place] = np.exp(np.log(np.clip(miss[rank - 1], 0.2, 5.0)) * len(y) / (len(y) + STRETCH_ROWS))
    return stretch


def label_means(past: Past) -> LabelMeans:
    """Each label's mean of y, shrunk to the mean of all; only factors that tell rows apart."""
    overall = float(past.y.mean())
    made = LabelMeans(overall)
    for name, code in past.signs.codes.items():
        known = code >= 0
        if len(np.unique(code[known])) > 1:
            count = np.bincount(code[known])
            total = np.bincount(code[known], past.y[known])
            made.by_code[name] = (total + LABEL_ROWS * overall) / (count + LABEL_ROWS)
    return made


def training_columns(past: Past, means: LabelMeans) -> np.ndarray:
    """Features of rows to learn from: a label's number is its mean over the rows before, as it was known then.

    The mean over all rows holds the row itself: with labels of few rows trees learn that and are wrong of new ones.
    Returns shape (rows, features), logs where they are sizes [log], numbers of labels as mean logs [log], else [-].
    """
    labels = [_earlier_mean(past.signs.codes[name], past.y, means.overall) for name in means.by_code]
    return past.signs.beside(labels)


def _earlier_mean(code: np.ndarray, y: np.ndarray, overall: float) -> np.ndarray:
    order = np.argsort(code, kind="stable")
    start = np.searchsorted(code[order], code[order])
    before = np.concatenate([[0.0], np.cumsum(y[order])])
    place = np.arange(len(code))
    mean = np.empty(len(code))
    mean[order] = (before[place] - before[start] + LABEL_ROWS * overall) / (place - start + LABEL_ROWS)
    return np.where(code >= 0, mean, overall)


def _with_trees(past: Past, law: SecondLaw) -> SecondLaw:
    """The same law with a forest of these rows."""
    from sklearn.ensemble import ExtraTreesRegressor

    means = label_means(past)
    some = past.take(slice(max(len(past.y) - IN_FOREST, 0), None))
    columns = training_columns(past, means)[-len(some.y) :]
    fitted = ExtraTreesRegressor(FOREST, min_samples_leaf=LEAF, max_features=0.7, random_state=0).fit(columns, some.y)
    names = (*NUMBERS, *means.by_code)
    leading = names[int(np.argmax(fitted.feature_importances_))]
    forest = _joined([_with_values(tree.tree_, columns, some.y) for tree in fitted.estimators_])
    return SecondLaw(law.weight, law.gain, law.rows, leading, law.stretch, means, forest, law.boosted)


def _with_values(tree: Any, columns: np.ndarray, y: np.ndarray) -> Trees:
    """A fitted tree with POINTS evenly ranked values of y in each leaf."""
    leaf = tree.apply(columns.astype(np.float32))
    order = np.lexsort((y, leaf))
    nodes, start, count = np.unique(leaf[order], return_index=True, return_counts=True)
    rank = ((np.arange(POINTS) + 0.5) / POINTS * count[:, None]).astype(int)
    left = tree.children_left.astype(np.int64)
    left[nodes] = np.arange(len(nodes))
    feature = np.where(tree.children_left < 0, -1, tree.feature)
    return Trees(
        np.zeros(1, np.int64), feature, tree.threshold, left, tree.children_right.astype(np.int64),
        y[order][start[:, None] + rank],
    )  # fmt: skip


def _boosted(past: Past, means: LabelMeans) -> dict[float, tuple[float, Trees]]:
    """Boosted quantiles at some levels: level -> (what they start from, trees whose values add up)."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    columns, made = training_columns(past, means), {}
    for level in BOOSTED:
        fitted = HistGradientBoostingRegressor(loss="quantile", quantile=level, random_state=0, **BOOSTING)
        fitted.fit(columns, past.y)
        made[level] = (float(np.ravel(fitted._baseline_prediction)[0]), _joined(_additive(fitted)))
    return made


def _additive(fitted: Any) -> list[Trees]:
    """The trees of a boosted model; scikit-learn has no public door to them, so a test holds them to its predictions."""
    made = []
    for (predictor,) in fitted._predictors:
        nodes = predictor.nodes
        leaf = nodes["is_leaf"].astype(bool)
        left = nodes["left"].astype(np.int64)
        left[leaf] = np.arange(leaf.sum())
        feature = np.where(leaf, -1, nodes["feature_idx"]).astype(np.int64)
        right = nodes["right"].astype(np.int64)
        values = nodes["value"][leaf][:, None]
        made.append(Trees(np.zeros(1, np.int64), feature, nodes["num_threshold"].copy(), left, right, values))
    return made


def _joined(trees: list[Trees]) -> Trees:
    """Trees in one list of nodes."""
    nodes = np.cumsum([0, *(len(tree.feature) for tree in trees)])
    leaves = np.cumsum([0, *(len(tree.value) for tree in trees)])
    left = [
        tree.left + np.where(tree.feature < 0, leaf, node)
        for tree, node, leaf in zip(trees, nodes[:-1], leaves[:-1], strict=True)
    ]
    return Trees(
        nodes[:-1],
        np.concatenate([tree.feature for tree in trees]).astype(np.int64),
        np.concatenate([tree.threshold for tree in trees]).astype(float),
        np.concatenate(left),
        np.concatenate([tree.right + node for tree, node in zip(trees, nodes[:-1], strict=True)]),
        np.concatenate([tree.value for tree in trees]),
    )
