"""Proper scores against closed forms (Gneiting & Raftery 2007, JASA 102:359-378) and printed values."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest
from scipy import integrate, stats

from calib.calibration.normal_plus_t import normal_cdf, normal_score, quantile, score_of
from calib.calibration.scores import interval_score, pinball


def crps_normal(y: np.ndarray, mean: np.ndarray, sd: np.ndarray) -> np.ndarray:
    """Continuous ranked probability score of a normal forecast."""
    z = (np.asarray(y, float) - mean) / sd
    return sd * (z * (2 * normal_cdf(z) - 1) + 2 * np.exp(-0.5 * z**2) / sqrt(2 * pi) - 1 / sqrt(pi))


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


@pytest.mark.parametrize(
    ("law", "y", "expected"),
    [
        (stats.norm(), 1.0, 0.6024413576276163),
        (stats.norm(), -3.0, 2.43657473),  # scoringRules test-crps_norm.R
        (stats.lognorm(0.9, scale=np.exp(0.1)), 3.0, 1.13552645),  # scoringRules test-crps_lnorm.R
    ],
)
def test_crps_is_twice_the_mean_pinball(law, y, expected):
    # CRPS = 2 times the integral of the pinball score over all levels (Gneiting & Ranjan 2011, JBES 29:411-422, eq. 9)
    def score(level):
        return float(pinball(y, law.ppf(level), level))

    at = float(law.cdf(y))
    found = sum(integrate.quad(score, a, b, limit=200)[0] for a, b in ((0, at), (at, 1)))
    assert 2 * found == pytest.approx(expected, abs=1e-6)


def test_crps_of_the_true_law_is_sd_over_root_pi_on_average():
    y = np.random.default_rng(5).normal(2.0, 3.0, 400_000)
    scores = crps_normal(y, 2.0, 3.0)
    assert scores.mean() == pytest.approx(3 / sqrt(pi), abs=4 * scores.std() / len(y) ** 0.5)
    assert crps_normal(y, 2.4, 3.0).mean() > scores.mean() < crps_normal(y, 2.0, 3.6).mean()


def test_runs_of_the_true_law_have_uniform_probabilities():
    rng = np.random.default_rng(6)
    tau, sigma = rng.uniform(0, 0.5, 20_000), rng.uniform(0.05, 0.5, 20_000)
    y = tau * rng.standard_normal(20_000) + sigma * rng.standard_t(5, 20_000)
    assert stats.kstest(stats.norm.cdf(score_of(y, tau, sigma, 5.0)), "uniform").pvalue > 1e-3


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
