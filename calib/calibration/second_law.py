"""A second law of the error, learned by trees: what it says of a row, and how much it counts beside the model's own.

The model's law is a normal plus a Student-t around its location. Real logs hold copies of the plan, heaped values and
spreads that bend with size. Trees that are given the model's own numbers say what came of rows like these; a gate,
learned out of time, says how much of them is used: (1 - weight) of the model's quantiles and weight of theirs, each
range then stretched as it missed. Only arrays and numpy here: fitting is in ``learn_second_law``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calib.calibration.normal_plus_t import normal_score
from calib.calibration.recalibrate import NOMINAL

LEVELS = np.array([0.025, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.975])  # quantiles that it says
SCORES = normal_score(LEVELS)
NUMBERS = ("size", "expected", "spread", "runs", "time")  # features beside the labels, in their order
SEVERAL = 4096  # rows at once


@dataclass(eq=False)
class Signs:
    """What the second law goes by, of n rows, shape (n,) each.

    size : log baseline [log min]; expected : the model's location; spread : log of the model's sd [log units]
    runs : log(1 + runs behind); time : [weeks since the epoch]; codes : factor -> code of its label
    """

    size: np.ndarray
    expected: np.ndarray
    spread: np.ndarray
    runs: np.ndarray
    time: np.ndarray
    codes: dict[str, np.ndarray]

    def take(self, at: slice | np.ndarray) -> Signs:
        """Those of some rows."""
        numbers = {name: getattr(self, name)[at] for name in NUMBERS}
        return Signs(**numbers, codes={name: code[at] for name, code in self.codes.items()})

    def columns(self, means: LabelMeans) -> np.ndarray:
        """Features of the trees, shape (n, len(NUMBERS) + factors), as single precision holds them."""
        return self.beside([means.of(name, self.codes[name]) for name in means.by_code])

    def beside(self, labels: list[np.ndarray]) -> np.ndarray:
        """The same with the numbers that stand for labels, shape (n,) each."""
        numbers = [getattr(self, name) for name in NUMBERS]
        return np.column_stack([*numbers, *labels]).astype(np.float32).astype(float)


@dataclass(eq=False)
class LabelMeans:
    """Labels as numbers: factor -> by code the mean of y, shrunk to the mean of all, which stands for labels never seen."""

    overall: float = 0.0
    by_code: dict[str, np.ndarray] = field(default_factory=dict)

    def of(self, name: str, code: np.ndarray) -> np.ndarray:
        """The number of each label, shape (n,).

        A mean log of actual over baseline [log]; code : shape (n,) [-].
        """
        table = self.by_code[name]
        known = (code >= 0) & (code < len(table))
        return np.where(known, np.append(table, self.overall)[np.where(known, code, len(table))], self.overall)


@dataclass(eq=False)
class Trees:
    """Binary trees side by side.

    root : shape (trees,), node where each begins
    feature : shape (nodes,), column that a node tests, -1 at a leaf
    threshold : shape (nodes,), rows of at most this go left
    left, right : shape (nodes,), the nodes that follow; at a leaf ``left`` is its row in ``value``
    value : shape (leaves, points), what a leaf says
    """

    root: np.ndarray
    feature: np.ndarray
    threshold: np.ndarray
    left: np.ndarray
    right: np.ndarray
    value: np.ndarray

    def leaves(self, columns: np.ndarray) -> np.ndarray:
        """Row of ``value`` that each row of ``columns`` (n, features) reaches in each tree, shape (n, trees).

        Places [-].
        """
        node = np.broadcast_to(self.root, (len(columns), len(self.root))).copy()
        row = np.arange(len(columns))[:, None]
        while True:
            feature = self.feature[node]
            inner = feature >= 0
            if not inner.any():
                return np.asarray(self.left[node])
            goes_left = columns[row, np.maximum(feature, 0)] <= self.threshold[node]
            node = np.where(inner, np.where(goes_left, self.left[node], self.right[node]), node)


@dataclass(eq=False)
class SecondLaw:
    """The trees, how much they count, and the stretch of the blend.

    weight : share of the trees' quantiles, 0 to 1; gain : what they won out of time, share of the score; rows : behind it
    stretch : shape (len(NOMINAL),), of central ranges at the levels of ``recalibrate``
    leading : the feature that the trees split by most; forest : each leaf's values; boosted : level -> (start, trees)
    """

    weight: float = 0.0
    gain: float = 0.0
    rows: int = 0
    leading: str = ""
    stretch: np.ndarray = field(default_factory=lambda: np.ones(len(NOMINAL)))
    means: LabelMeans = field(default_factory=LabelMeans)
    forest: Trees | None = None
    boosted: dict[float, tuple[float, Trees]] = field(default_factory=dict)

    def quantiles(self, signs: Signs) -> np.ndarray:
        """What the trees say of log(actual / baseline) at LEVELS, shape (n, len(LEVELS)).

        In logs [log].
        """
        assert self.forest is not None, "nothing was learned"
        columns = signs.columns(self.means)
        found = np.empty((len(columns), len(LEVELS)))
        for start in range(0, len(columns), SEVERAL):
            here = slice(start, start + SEVERAL)
            found[here] = forest_quantiles(self.forest, columns[here])
        return np.sort((found + boosted_quantiles(self.boosted, columns)) / 2, axis=1) if self.boosted else found

    def blend(self, model: np.ndarray, scores: np.ndarray, signs: Signs) -> np.ndarray:
        """Quantiles of log(actual / baseline) with the trees' share in them.

        model : shape (n, len(SCORES) + k), the model's quantiles at SCORES, then at ``scores``, shape (k,)
        Returns shape (n, k), at ``scores``; beyond the outermost of LEVELS tails are the model's.
        Quantiles are logs [log], scores have no unit [-].
        """
        every = np.concatenate([SCORES, scores])
        trees, inner = self.quantiles(signs), np.clip(every, SCORES[0], SCORES[-1])
        tails = model - _between(model[:, : len(SCORES)], SCORES, inner)
        theirs = _between(trees, SCORES, inner) + np.where(inner == every, 0.0, tails)
        blended = (1 - self.weight) * model + self.weight * theirs
        centre = blended[:, [len(SCORES) // 2]]
        stretched = centre + np.interp(np.abs(every), NOMINAL, self.stretch) * (blended - centre)
        return _outwards(stretched, every, centre)[:, len(SCORES) :]


def _outwards(values: np.ndarray, scores: np.ndarray, centre: np.ndarray) -> np.ndarray:
    """Values that never come back to the centre as scores go away from 0."""
    order = np.argsort(np.abs(scores), kind="stable")
    signed = np.sign(scores)[order]
    size = np.maximum((values[:, order] - centre) * signed, 0.0)
    for side in (-1.0, 1.0):
        size[:, signed == side] = np.maximum.accumulate(size[:, signed == side], axis=1)
    result = np.empty_like(values)
    result[:, order] = centre + size * signed
    return result


def forest_quantiles(forest: Trees, columns: np.ndarray) -> np.ndarray:
    """Quantiles at LEVELS of the values of all leaves that a row reaches, each tree counting alike (Meinshausen 2006,
    'Quantile regression forests', JMLR 7:983-999). columns : shape (n, features); returns (n, len(LEVELS)).
    Values are logs [log].
    """
    values = forest.value[forest.leaves(columns)].reshape(len(columns), -1)
    rank = np.ceil(LEVELS * values.shape[1] - 1e-9).astype(int) - 1
    return np.asarray(np.partition(values, np.unique(rank), axis=1)[:, rank])


def boosted_quantiles(boosted: dict[float, tuple[float, Trees]], columns: np.ndarray) -> np.ndarray:
    """Quantiles at LEVELS from sums of trees at some of them; between them straight in normal scores. Shape (n, len(LEVELS)).

    columns : shape (n, features); quantiles are logs [log].
    """
    levels = np.array(sorted(boosted))
    sums = np.empty((len(columns), len(levels)))
    for place, level in enumerate(levels.tolist()):
        start, trees = boosted[level]
        sums[:, place] = start + trees.value[trees.leaves(columns), 0].sum(axis=1)
    return _between(np.sort(sums, axis=1), normal_score(levels), SCORES)


def _between(values: np.ndarray, nodes: np.ndarray, scores: np.ndarray) -> np.ndarray:
    """Values at ``nodes`` (n, m) interpolated at ``scores`` (k,), held at the ends: shape (n, k)."""
    scores = np.clip(scores, nodes[0], nodes[-1])
    low = np.clip(np.searchsorted(nodes, scores) - 1, 0, len(nodes) - 2)
    part = (scores - nodes[low]) / (nodes[low + 1] - nodes[low])
    return np.asarray(values[:, low] * (1 - part) + values[:, low + 1] * part)
