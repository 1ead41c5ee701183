"""Proper scores against closed forms (Gneiting & Raftery 2007, JASA 102:359-378) and printed values."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest
from scipy import integrate, stats

from calib.calibration.normal_plus_t import normal_score, quantile, score_of
from calib.calibration.scores import crps_normal, interval_score, pinball


@pytest.mark.parametrize(
    ("y", "mean", "sd", "expected"),
    [
        (0.0, 0.0, 1.0, (sqrt(2) - 1) / sqrt(pi)),
        (1.0, 0.0, 1.0, 0.6024413576276163),
        (-3.0, 0.0, 1.0, 2.43657473),  # printed in scoringRules' test-crps_norm.R
        (-2.7, 0.0, 0.9, 2.19291726),
    ],
)
def test_crps_of_normal(y, mean, sd, expected):
    assert crps_normal(y, mean, sd) == pytest.approx(expected, abs=2e-6)


@pytest.mark.parametrize(("y", "level", "expected"), [(1, 0.8, 2), (2, 0.8, 12), (2, 0.5, 6)])
def test_interval_score(y, level, expected):
    # scoringRules test-scores_quantiles.R, range [-1, 1]
    assert interval_score(y, -1, 1, level) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("y", "level", "expected"), [(1, 0.1, 0.1), (1, 0.4, 0.4), (-1, 0.1, 0.9)])
def test_pinball(y, level, expected):
    assert pinball(y, 0, level) == pytest.approx(expected, abs=1e-12)


def test_interval_score_is_two_pinballs():
    y = np.linspace(-4, 4, 41)
    both = pinball(y, -1.3, 0.1) + pinball(y, 0.7, 0.9)
    assert interval_score(y, -1.3, 0.7, 0.8) == pytest.approx(2 / 0.2 * both)


def test_true_range_scores_best():
    # expected score of the central 90 % of N(0, 1): 2 / 0.1 * 2 phi(z)
    def expected(low, high):
        return integrate.quad(lambda y: float(interval_score(y, low, high, 0.9)) * stats.norm.pdf(y), -9, 9, limit=200)[
            0
        ]

    best = expected(-1.6448536, 1.6448536)
    assert best == pytest.approx(4.125425615, abs=1e-5)
    assert all(
        expected(-1.6448536 + a, 1.6448536 + b) > best for a, b in ((0.1, 0), (0, 0.1), (-0.1, 0.1), (0.2, -0.2))
    )


def test_quantiles_of_student_t_and_normal():
    levels = np.array([0.05, 0.1, 0.5, 0.9, 0.975])
    z = normal_score(levels)
    assert quantile(z, np.zeros(1), np.ones(1), 5.0)[0] == pytest.approx(stats.t.ppf(levels, 5), abs=2e-3)
    assert quantile(z, np.ones(1), np.zeros(1), 5.0)[0] == pytest.approx(stats.norm.ppf(levels), abs=1e-9)


def test_quantiles_of_normal_plus_t_by_quadrature():
    levels = np.array([0.05, 0.25, 0.9])
    found = quantile(normal_score(levels), np.array([0.7]), np.array([0.4]), 5.0)[0]
    for value, level in zip(found, levels, strict=True):
        below = integrate.quad(lambda z, v=value: stats.t.cdf((v - 0.7 * z) / 0.4, 5) * stats.norm.pdf(z), -9, 9)[0]
        assert below == pytest.approx(level, abs=5e-4)


def test_scores_undo_quantiles():
    z = np.array([-2.5, -1.0, 0.3, 2.0])
    tau, sigma = np.full(4, 0.2), np.array([0.05, 0.1, 0.4, 1.0])
    values = quantile(z[:, None], tau, sigma, 5.0)[:, 0]
    assert score_of(values, tau, sigma, 5.0) == pytest.approx(z, abs=1e-9)
