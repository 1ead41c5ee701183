"""A Calibrator as scikit-learn takes it: parameters, clones, pipelines, cross validation in order of time, search."""

from __future__ import annotations

import numpy as np
import pytest
from labs import lab, plan
from sklearn.base import clone, is_regressor
from sklearn.exceptions import NotFittedError
from sklearn.model_selection import GridSearchCV, TimeSeriesSplit, cross_val_score
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import FunctionTransformer
from sklearn.utils import estimator_checks as checks
from sklearn.utils.validation import check_is_fitted

from calib.calibration.calibrator import Calibrator
from calib.errors import CalibError, UsageError

RUNS = lab(150)
X, Y = RUNS.drop(columns="actual_min"), RUNS["actual_min"].to_numpy()

# the checks that give an estimator no data: the others give it arrays, and a Calibrator learns from frames with names
WITHOUT_DATA = (
    "check_no_attributes_set_in_init", "check_parameters_default_constructible", "check_get_params_invariance",
    "check_set_params", "check_estimator_cloneable",
    "check_estimator_repr", "check_valid_tag_types", "check_mixin_order",
)  # fmt: skip


@pytest.mark.parametrize("name", WITHOUT_DATA)
def test_checks_of_the_library_that_need_no_data(name):
    getattr(checks, name)("Calibrator", Calibrator())


@pytest.fixture(scope="module")
def made() -> Calibrator:
    return Calibrator().fit(X, Y)


def test_minutes_may_come_as_y(made):
    with_column = Calibrator().fit(RUNS)
    assert np.array_equal(with_column.predict(X), made.predict(X))
    with pytest.raises(UsageError, match="y has 3 values for 150 rows"):
        Calibrator().fit(X, [1.0, 2.0, 3.0])


def test_a_point_is_the_median(made):
    found = made.predict(plan())
    assert found.shape == (1,)
    assert found[0] == made.predict_quantiles(plan(), (0.5,))[0.5].iloc[0]
    assert made.predict(plan(), (0.1, 0.9)).equals(made.predict_quantiles(plan(), (0.1, 0.9)))


def test_score_is_higher_for_the_runs_than_for_others(made):
    assert made.score(X, Y) == made.score(RUNS)
    assert made.score(X, Y) > made.score(X, 2 * Y)


def test_a_clone_has_the_parameters_and_nothing_learned(made):
    copy = clone(made.set_params(window=5))
    assert copy.get_params() == made.get_params()
    assert copy.window == made.set_params(window=4).window + 1
    with pytest.raises(NotFittedError):
        check_is_fitted(copy)
    check_is_fitted(made)
    assert is_regressor(copy)


def test_a_parameter_that_is_none_is_refused_by_name():
    with pytest.raises(ValueError, match="Invalid parameter 'halflife' for estimator Calibrator"):
        Calibrator().set_params(halflife=3)
    assert repr(Calibrator(nu=7, group="stage")) == "Calibrator(group='stage', nu=7)"


def test_priors_are_given_where_they_are_wanted():
    assert 20 < Calibrator(prior_only=True).predict(plan())[0] < 180
    with pytest.raises(NotFittedError, match="not fitted yet") as refused:
        Calibrator(prior_only=False).predict(plan())
    assert isinstance(refused.value, CalibError)
    with pytest.warns(FutureWarning, match="it answers from its priors"):
        Calibrator().predict(plan())


def test_old_names_work_with_a_warning(made):
    with pytest.warns(FutureWarning, match="errors is called errors_ now"):
        assert made.errors is made.errors_


def test_names_of_features_are_kept(made):
    assert made.feature_names_in_.tolist() == list(X.columns)
    assert made.n_features_in_ == X.shape[1]


@pytest.mark.slow
def test_pipeline_cross_validation_and_search():
    pipeline = make_pipeline(FunctionTransformer(lambda rows: rows.assign(operator=None)), Calibrator())
    assert pipeline.fit(X, Y).predict(X[:2]).shape == (2,)
    scores = cross_val_score(Calibrator(), X, Y, cv=TimeSeriesSplit(3))
    assert np.isfinite(scores).all()
    search = GridSearchCV(Calibrator(), {"nu": [3.0, 30.0]}, cv=TimeSeriesSplit(2)).fit(X, Y)
    assert search.best_params_["nu"] in (3.0, 30.0)
    assert isinstance(search.predict(X[:1]), np.ndarray)
