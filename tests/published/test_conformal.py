"""Conformal ranks and their exact coverage law (Vovk, Gammerman & Shafer 2005; Marques 2023, arXiv 2303.02770)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from calib.calibration.scores import conformal_in_words, conformal_rank


@pytest.mark.parametrize(
    ("n", "level", "rank"), [(19, 0.9, 18), (9, 0.9, 9), (99, 0.9, 90), (39, 0.95, 38), (1000, 0.9, 901)]
)
def test_rank(n, level, rank):
    assert conformal_rank(n, level) == rank
    assert level <= rank / (n + 1) <= level + 1 / (n + 1) + 1e-12


def test_too_few_says_so():
    assert conformal_rank(8, 0.9) is None
    assert conformal_in_words(8, 0.9) == "no finite range is valid: 8 runs, a 90 % range needs 9"
    assert conformal_in_words(9, 0.9) == "the 9. smallest of 9 misses covers 90.0 %"


@pytest.mark.parametrize(("n", "sd"), [(19, 0.0654654), (49, 0.0420084), (99, 0.0298511)])
def test_coverage_given_the_misses_is_beta(n, sd):
    rank = conformal_rank(n, 0.9)
    law = stats.beta(rank, n + 1 - rank)
    assert law.std() == pytest.approx(sd, abs=1e-6)
    misses = np.sort(np.random.default_rng(1).random((4000, n)), axis=1)
    covered = misses[:, rank - 1]  # misses are uniform: the k-th smallest is its own coverage
    assert stats.kstest(covered, law.cdf).pvalue > 1e-3
