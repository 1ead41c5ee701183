"""The second law: a gate that stays shut where trees win nothing, trees that are scikit-learn's, ranges that stay honest."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from labs import lab

from calib.calibration.calibrator import Calibrator
from calib.calibration.learn_second_law import (
    BOOSTED,
    BOOSTING,
    FEWEST,
    Past,
    _additive,
    _joined,
    _with_trees,
    conformal_stretch,
    gate,
    label_means,
    learn_second_law,
    training_columns,
)  # fmt: skip
from calib.calibration.second_law import LEVELS, SCORES, SecondLaw, Signs, boosted_quantiles
from calib.errors import StoreError

QUANTILES = (0.025, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.975)


def two_modes(n: int, seed: int = 0) -> Past:
    """Small jobs end at 0 or at 1, large ones anywhere between -0.2 and 0.2; the model thinks all are normal."""
    rng = np.random.default_rng(seed)
    size = rng.normal(0, 1, n)
    y = np.where(size < 0, rng.integers(0, 2, n) * 1.0, rng.uniform(-0.2, 0.2, n))
    signs = Signs(
        size, np.full(n, 0.25), np.full(n, np.log(0.45)), np.log1p(np.arange(n)), np.arange(n) / 20.0,
        {"machine": rng.integers(0, 3, n)},
    )  # fmt: skip
    return Past(signs, y, np.broadcast_to(0.25 + 0.45 * SCORES, (n, len(SCORES))), np.arange(n) // 20)


@pytest.fixture(scope="module")
def odd_lab() -> pd.DataFrame:
    """Runs whose small jobs are written as planned and whose large ones take twice the plan, half of them."""
    runs = lab(n=600, seed=5, weeks=30).drop(columns="build_id")
    rng = np.random.default_rng(6)
    small = runs["baseline_min"] < runs["baseline_min"].median()
    large = runs["baseline_min"] * np.where(rng.random(len(runs)) < 0.5, 1.0, 2.0) * np.exp(rng.normal(0, 0.03, 600))
    return runs.assign(actual_min=np.where(small, runs["baseline_min"], large))


@pytest.fixture(scope="module")
def odd_fit(odd_lab) -> Calibrator:
    return Calibrator().fit(odd_lab)


@pytest.fixture(scope="module")
def plan(odd_lab) -> pd.DataFrame:
    return odd_lab.iloc[:30].drop(columns=["actual_min", "ended_at"])


def test_with_few_rows_there_are_no_trees():
    assert learn_second_law(two_modes(FEWEST - 1)).weight == 0


def test_where_the_model_is_right_the_gate_stays_shut_and_nothing_changes():
    runs = lab(n=500, seed=1, weeks=30)
    plan = runs.iloc[:20].drop(columns=["actual_min", "ended_at"])
    made = Calibrator().fit(runs)
    assert made.second_law["weight"] == 0
    assert made.predict(plan, QUANTILES).equals(Calibrator(trees=False).fit(runs).predict(plan, QUANTILES))


def test_two_modes_are_seen_by_trees_and_held():
    law = learn_second_law(two_modes(1000))
    new = two_modes(2000, seed=1)
    found = law.blend(np.hstack([new.model, new.model]), SCORES, new.signs)
    assert law.weight >= 0.7
    assert law.leading == "size"
    # 80 %: four binomial standard errors either way, and the two modes lie on the edges of a range
    assert ((found[:, 2] - 1e-9 <= new.y) & (new.y <= found[:, 6] + 1e-9)).mean() > 0.8 - 4 * (0.16 / 2000) ** 0.5
    large = new.signs.size > 0.2
    assert np.median((found[:, 6] - found[:, 2])[large]) < 0.6  # true 0.32, the model's own 1.15


def test_gate_is_shut_for_noise_and_open_for_the_truth():
    rng = np.random.default_rng(0)
    wide, true = (np.broadcast_to(by * SCORES, (400, 9)) for by in (2.0, 1.0))
    blurred = SCORES + rng.normal(0, 0.5, (400, 1))
    folds = [Past(two_modes(400).signs, rng.standard_normal(400), wide, np.arange(400) // 20) for _ in range(2)]
    assert gate(folds, [true, true])[0] >= 0.75
    # what was won once and no more is of no use; nor what is won in one season and lost in the next
    assert gate(folds, [true, 2.0 * SCORES + rng.normal(0, 0.5, (400, 1))])[0] == 0
    for fold in folds:
        fold.model = true
    assert gate(folds, [blurred, blurred])[0] == 0


def test_a_gain_of_one_season_opens_the_gate_less():
    # trees are right in every other stretch of a tenth of the rows, and say what the model says in the others; weeks alone
    # would take the same gain, scattered over all weeks, for as sure
    rng = np.random.default_rng(1)
    wide, true = np.broadcast_to(2.0 * SCORES, (400, 9)), np.broadcast_to(SCORES, (400, 9))
    folds = [Past(two_modes(400).signs, rng.standard_normal(400), wide, np.arange(400) // 4) for _ in range(2)]
    season = [np.where((np.arange(400) // 80 % 2 == 0)[:, None], true, wide)] * 2
    scattered = [np.where((np.arange(400) % 2 == 0)[:, None], true, wide)] * 2
    by_season, by_run = gate(folds, season), gate(folds, scattered)
    assert by_season[1] == pytest.approx(by_run[1], rel=0.5)
    assert by_season[0] < by_run[0]


def test_stretch_makes_ranges_hold():
    # of 4000 normal numbers with ranges at half their width each must be stretched to about twice
    y = np.random.default_rng(2).standard_normal(4000)
    stretch = conformal_stretch(y, np.broadcast_to(SCORES / 2, (4000, 9)))
    assert stretch == pytest.approx(2 ** (4000 / 4200), rel=0.06)


def test_exported_boosted_trees_are_the_librarys_own():
    from sklearn.ensemble import HistGradientBoostingRegressor

    past = two_modes(800)
    columns = training_columns(past, label_means(past))
    fitted = HistGradientBoostingRegressor(loss="quantile", quantile=0.9, random_state=0, **BOOSTING).fit(
        columns, past.y
    )
    trees = (float(np.ravel(fitted._baseline_prediction)[0]), _joined(_additive(fitted)))
    found = boosted_quantiles({0.1: trees, 0.9: trees}, columns)
    assert np.abs(found[:, 6] - fitted.predict(columns)).max() < 1e-12


def test_forest_leaves_are_the_librarys_own():
    from sklearn.ensemble import ExtraTreesRegressor

    past = two_modes(500)
    law = _with_trees(past, SecondLaw())
    columns = training_columns(past, label_means(past))
    fitted = ExtraTreesRegressor(40, min_samples_leaf=10, max_features=0.7, random_state=0).fit(columns, past.y)
    theirs = fitted.apply(columns.astype(np.float32))
    ours = law.forest.leaves(columns)
    for tree in range(40):  # the same rows share a leaf
        pairs = np.unique(np.column_stack([theirs[:, tree], ours[:, tree]]), axis=0)
        assert len(pairs) == len(np.unique(theirs[:, tree])) == len(np.unique(ours[:, tree]))


def test_a_stored_law_predicts_the_same_to_the_last_bit(odd_fit, plan):
    assert odd_fit.second_law["weight"] > 0
    again = Calibrator.from_tables(odd_fit.to_tables())
    assert again.predict(plan, QUANTILES).equals(odd_fit.predict(plan, QUANTILES))
    assert np.array_equal(again.draws(plan, 50, 1), odd_fit.draws(plan, 50, 1))


@pytest.mark.parametrize("name", ["second_law", "second_law_nodes", "second_law_leaves"])
def test_a_stored_law_without_its_trees_is_said_to_be_incomplete(odd_fit, name):
    tables = odd_fit.to_tables()
    with pytest.raises(StoreError, match="The stored fit is incomplete"):
        Calibrator.from_tables(tables | {name: tables[name].iloc[:0]})


def test_draws_have_the_quantiles_that_are_predicted(odd_fit, plan):
    drawn = np.quantile(odd_fit.draws(plan[:2], 40_000, 3), [0.1, 0.5, 0.9], axis=0).T
    assert np.log(drawn) == pytest.approx(np.log(odd_fit.predict(plan[:2], (0.1, 0.5, 0.9))[[0.1, 0.5, 0.9]]), abs=0.02)


def test_floors_hold_and_levels_are_in_order(odd_fit, plan):
    floored = plan.assign(floor_min=plan["baseline_min"])
    found = odd_fit.predict(floored, (0.01, *QUANTILES, 0.99)).drop(columns="runs_behind").to_numpy()
    assert (found >= plan["baseline_min"].to_numpy()[:, None] - 1e-9).all()
    assert (np.diff(found, axis=1) >= -1e-9).all()


def test_predicting_loads_no_tree_library(odd_fit, plan, tmp_path):
    pd.to_pickle((odd_fit.to_tables(), plan), tmp_path / "fit.pickle")
    code = (
        "import sys, pandas as pd; from calib import Calibrator\n"
        f"tables, plan = pd.read_pickle({str(tmp_path / 'fit.pickle')!r})\n"
        "Calibrator.from_tables(tables).predict(plan, (0.1, 0.9))\n"
        "print(sorted({name.split('.')[0] for name in sys.modules} & {'sklearn', 'scipy', 'statsmodels'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_levels_of_boosting_reach_the_ends():
    assert (min(BOOSTED), max(BOOSTED)) == (LEVELS[0], LEVELS[-1])
