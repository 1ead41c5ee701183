"""Conformal ranks and their exact coverage law (Vovk, Gammerman & Shafer 2005; Marques 2023, arXiv 2303.02770)."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some
from scipy import stats

from calib.calibration.scores import conformal_rank


@pytest.mark.parametrize(
    ("n", "level", "rank"), [(19, 0.9, 18), (9, 0.9, 9), (99, 0.9, 90), (39, 0.95, 38), (1000, 0.9, 901)]
)
def test_rank(n, level, rank):
    assert conformal_rank(n, level) == rank
    assert level <= rank / (n + 1) <= level + 1 / (n + 1) + 1e-12


def test_too_few_says_so():
    assert conformal_rank(8, 0.9) is None


@pytest.mark.parametrize(("level", "needs"), [(0.5, 1), (0.8, 4), (0.9, 9), (0.95, 19), (0.99, 99)])
def test_the_number_that_a_level_needs(level, needs):
    # n >= 1 / (1 - level) - 1 (Lei et al. 2018, JASA 113:1094-1111)
    assert conformal_rank(needs, level) == needs
    assert conformal_rank(needs - 1, level) is None


@given(n=some.integers(1, 5000), per_cent=some.integers(1, 99))
def test_rank_is_the_least_that_covers(n, per_cent):
    # in whole numbers: k / (n + 1) >= level, (k - 1) / (n + 1) < level
    level = Fraction(per_cent, 100)
    rank = conformal_rank(n, per_cent / 100)
    if rank is None:
        assert Fraction(n, n + 1) < level
    else:
        assert Fraction(rank, n + 1) >= level > Fraction(rank - 1, n + 1)


@pytest.mark.parametrize("n", [4, 9, 24])
def test_coverage_is_rank_over_n_plus_one_for_any_law(n):
    # exactly k / (n + 1) for misses of any continuous law: 200,000 new runs, 4 standard errors
    rank = conformal_rank(n, 0.8)
    misses = np.sort(np.random.default_rng(n).standard_cauchy((200_000, n + 1)) ** 2, axis=1)
    new = np.random.default_rng(n + 1).integers(0, n + 1, 200_000)  # which of the n + 1 came last
    below = new < rank  # the new one is among the rank smallest of all exactly if it is below the old ones' rank-th
    old = np.where(new[:, None] <= np.arange(n), misses[:, 1:], misses[:, :-1])
    assert np.array_equal(misses[np.arange(200_000), new] <= old[:, rank - 1], below)
    assert below.mean() == pytest.approx(rank / (n + 1), abs=4 * 0.5 / 200_000**0.5)


@pytest.mark.parametrize(("n", "sd"), [(19, 0.0654654), (49, 0.0420084), (99, 0.0298511)])
def test_coverage_given_the_misses_is_beta(n, sd):
    rank = conformal_rank(n, 0.9)
    law = stats.beta(rank, n + 1 - rank)
    assert law.std() == pytest.approx(sd, abs=1e-6)
    misses = np.sort(np.random.default_rng(1).random((4000, n)), axis=1)
    covered = misses[:, rank - 1]  # misses are uniform: the k-th smallest is its own coverage
    assert stats.kstest(covered, law.cdf).pvalue > 1e-3
