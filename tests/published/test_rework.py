"""Work done again against the geometric and the binomial distribution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from calib.calibration.calibrator import Calibrator
from calib.quoting.common_random_numbers import MOST_ATTEMPTS, CommonRandomNumbers
from calib.quoting.learned import Learned
from calib.workflow.pieces import chance_of_enough, pieces_to_start


@pytest.mark.parametrize(("good", "share", "chance"), [(1, 0.5, 0.9), (60, 0.98, 0.9), (100, 0.7, 0.99), (7, 1.0, 0.5)])
def test_pieces_to_start_is_the_least_number_by_scipys_binomial(good, share, chance):
    started = pieces_to_start(good, share, chance)
    assert stats.binom.sf(good - 1, started, share) >= chance
    assert started == good or stats.binom.sf(good - 1, started - 1, share) < chance
    assert chance_of_enough(started, good, share) == pytest.approx(stats.binom.sf(good - 1, started, share), rel=1e-9)


@pytest.mark.parametrize(("chance", "attempts"), [(0.1, 1.111111), (0.2, 1.25)])
def test_failed_attempts_are_geometric(chance, attempts):
    # mean number of attempts 1 / (1 - p): 1.1111 and 1.25; ours stops after three failures, which takes p^4/(1-p) off
    draws = 200_000
    random_numbers = CommonRandomNumbers(Learned(Calibrator(prior_only=True)), draws, seed=3)
    failed = (random_numbers.failed_attempts(chance, number=1) > 0).sum(axis=0)
    expected = attempts - 1 - chance ** (MOST_ATTEMPTS + 1) / (1 - chance)
    assert failed.mean() == pytest.approx(expected, abs=4 * np.sqrt(0.4 / draws))
    assert (failed >= 2).mean() == pytest.approx(chance**2, abs=4 * np.sqrt(chance**2 / draws))
