"""Sums that add, and the exact elimination of what a build's rows share."""

from __future__ import annotations

import numpy as np
import pytest

from calib.calibration.normal_equations import SharedEffect, accumulate, eliminate, solve_and_invert, sparse_rows


def problem(n: int = 40, p: int = 5):
    rng = np.random.default_rng(4)
    dense = rng.standard_normal((n, p)) * (rng.random((n, p)) < 0.6)
    row, column = np.nonzero(dense)
    design = sparse_rows(row, column, dense[row, column], (n, p))
    return dense, design, rng.standard_normal(n), rng.uniform(0.5, 2, n), np.arange(n) // 4, rng.uniform(0.3, 1, n)


def test_moments_add_when_builds_stay_together():
    _, design, y, weight, build, load = problem()
    whole = accumulate(design, y, weight, SharedEffect(build, load, 0.3))
    first, second = (
        accumulate(design[s], y[s], weight[s], SharedEffect(build[s] - build[s][0], load[s], 0.3))
        for s in (slice(0, 16), slice(16, 40))
    )
    both = first + second
    assert both.information == pytest.approx(whole.information)
    assert both.vector == pytest.approx(whole.vector)
    assert both.rows == whole.rows == 40


def test_shared_effect_is_eliminated_exactly():
    dense, design, y, weight, build, load = problem()
    found = accumulate(design, y, weight, SharedEffect(build, load, 0.3))
    covariance = np.diag(1 / weight) + 0.3 * np.outer(load, load) * (build[:, None] == build)
    assert found.information == pytest.approx(dense.T @ np.linalg.solve(covariance, dense))
    assert found.vector == pytest.approx(dense.T @ np.linalg.solve(covariance, y))


def test_eliminating_keeps_the_others_posterior():
    _, design, y, weight, _, _ = problem()
    moments = accumulate(design, y, weight)
    information = moments.information + np.eye(5)
    mean, covariance = solve_and_invert(information, moments.vector)
    less, right = eliminate(information, moments.vector, np.array([1, 3]))
    kept = [0, 2, 4]
    again, spread = solve_and_invert(less[np.ix_(kept, kept)], right[kept])
    assert again == pytest.approx(mean[kept])
    assert spread == pytest.approx(covariance[np.ix_(kept, kept)])
