"""Sums that add, and the exact elimination of what a build's rows share."""

from __future__ import annotations

import numpy as np
import pytest

from calib.calibration.arrowhead import SHARED, UNSEEN, arrowhead, seen_in, solve_arrowhead
from calib.calibration.normal_equations import SharedEffect, accumulate, solve_and_invert, sparse_rows
from calib.calibration.random_walk import Levels


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


def test_a_week_that_leaves_the_window_keeps_the_others_posterior():
    # the base (parameters 1 and 3) steps to next week's levels: integrated out, the rest is known as well as with it
    _, design, y, weight, _, _ = problem()
    moments = accumulate(design, y, weight)
    moments.information[np.diag_indices(5)] += 1
    base, precision = np.array([1, 3]), np.array([2.0, 5.0])
    levels = Levels(cell=np.arange(2), kind=np.zeros(2, int), column=base, step=np.ones(2), sums=np.zeros((2, 2)))
    whole = np.pad(moments.information, (0, 2))
    for level, (b, known) in enumerate(zip(base, precision, strict=True)):
        whole[[b, 5 + level], [b, 5 + level]] += known
        whole[[b, 5 + level], [5 + level, b]] -= known
    mean, covariance = solve_and_invert(whole, np.append(moments.vector, np.zeros(2)))
    kept = [0, 5, 2, 6, 4]  # the next levels stand where the base stood
    less = levels._moved(moments, precision)
    again, spread = solve_and_invert(less.information, less.vector)
    assert again == pytest.approx(mean[kept])
    assert spread == pytest.approx(covariance[np.ix_(kept, kept)])


def bordered(sizes: tuple[int, ...], shared: int, seed: int = 0):
    """A system of blocks with a border, its parameters shuffled, and the block of each."""
    rng = np.random.default_rng(seed)
    block = rng.permutation(np.repeat([*range(len(sizes)), SHARED], [*sizes, shared]))
    rows = rng.standard_normal((4 * len(block), len(block)))
    of_row = rng.integers(0, len(sizes), len(rows))
    rows[(block != of_row[:, None]) & (block != SHARED)] = 0.0
    return rows.T @ rows + np.eye(len(block)), rng.standard_normal(len(block)), block


@pytest.mark.parametrize(
    ("sizes", "shared", "tail"), [((30, 40, 35), 12, 117), ((30, 40, 35), 12, 20), ((50, 9), 0, 59)]
)
def test_blocks_with_a_border_are_solved_as_the_whole_is(sizes, shared, tail):
    information, vector, block = bordered(sizes, shared)
    mean, covariance = solve_arrowhead(arrowhead(information, block), vector)
    assert mean == pytest.approx(np.linalg.solve(information, vector), rel=1e-9)
    assert covariance == pytest.approx(np.linalg.inv(information), rel=1e-9, abs=1e-12)


def test_blocks_that_meet_after_all_are_solved_as_a_whole():
    information, vector, block = bordered((30, 40), 5)
    first, second = (np.flatnonzero(block == number)[0] for number in (0, 1))
    information[first, second] = information[second, first] = 0.3
    assert arrowhead(information, block) is None
    mean, covariance = solve_and_invert(information, vector, block)
    assert mean == pytest.approx(np.linalg.solve(information, vector))
    assert covariance == pytest.approx(np.linalg.inv(information))


def test_a_parameter_is_of_a_block_until_rows_of_another_have_it():
    block = seen_in(np.zeros(0, int), np.array([0, 1, 1]), np.array([2, 2, 3]), 4)
    assert block.tolist() == [2, SHARED, UNSEEN, UNSEEN]
    assert seen_in(block, np.array([0, 2, 1]), np.array([1, 4, 2]), 5).tolist() == [SHARED, SHARED, 4, UNSEEN, UNSEEN]
