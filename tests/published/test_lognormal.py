"""Log-normal closed forms against joint draws of the model before any log, where all of the spread is normal."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from calib.calibration.calibrator import Calibrator

LEVELS = (0.05, 0.1, 0.5, 0.9, 0.95)


def test_quantiles_of_lognormal():
    # LogNormal(ln 10, 0.5): 5, 10, 50, 90, 95 % by the closed form exp(mu + sigma z)
    rows = pd.DataFrame({"process": ["MEX"], "stage": ["printing"], "baseline_min": [10.0], "prior_sd": [0.5]})
    found = Calibrator(prior_only=True).predict(rows, LEVELS)[list(LEVELS)].to_numpy()[0]
    assert found == pytest.approx([4.393641049, 5.268835183, 10.0, 18.979527073, 22.760166085], rel=1e-4)


def test_mean_of_lognormal_is_above_its_median():
    # LogNormal(ln 10, 0.5): mean 11.331484531, the factor exp(s^2 / 2) = 1.133148453 over its median; variance 36.4696
    rows = pd.DataFrame({"process": ["MEX"], "stage": ["printing"], "baseline_min": [10.0], "prior_sd": [0.5]})
    minutes = Calibrator(prior_only=True).draws(rows, 400_000, seed=2)[:, 0]
    assert minutes.mean() == pytest.approx(11.331484531, abs=4 * 6.039 / 400_000**0.5)
    assert minutes.mean() / np.median(minutes) == pytest.approx(1.133148453, rel=4e-3)
    assert minutes.var() == pytest.approx(36.469585401, rel=0.02)


def test_sum_of_ten_lognormals():
    # ten independent LN(0, .5): mean 10 exp(.125), variance 10 exp(.25) (exp(.25) - 1); moments matched by a log-normal
    # (Fenton 1960): mu 2.4135817591, sigma .1673519282, whose quantiles are within 1.5 %
    rows = pd.DataFrame({"process": "MEX", "stage": [f"s{i}" for i in range(10)], "baseline_min": 1.0, "prior_sd": 0.5})
    total = Calibrator(prior_only=True).draws(rows, 200_000, seed=5).sum(axis=1)
    mean, variance = 10 * np.exp(0.125), 10 * np.exp(0.25) * (np.exp(0.25) - 1)
    assert total.mean() == pytest.approx(mean, abs=4 * (variance / 200_000) ** 0.5)
    assert total.var() == pytest.approx(variance, rel=0.02)
    matched = np.exp(2.4135817591 + 0.1673519282 * np.array([-1.2815516, 0, 1.2815516]))
    assert np.quantile(total, [0.1, 0.5, 0.9]) == pytest.approx(matched, rel=0.015)


def test_sum_of_two_lognormals():
    # ln 110 / .25 and ln 100 / .15, independent: mean 214.623, exact 5/50/95 % 166.639, 211.660, 272.678 by
    # convolution; the means are exp(mu + sigma^2 / 2), Fenton (1960)
    rows = pd.DataFrame(
        {"process": ["MEX", "VPP"], "stage": ["printing"] * 2, "baseline_min": [110.0, 100.0], "prior_sd": [0.25, 0.15]}
    )
    total = Calibrator(prior_only=True).draws(rows, 200_000, seed=3).sum(axis=1)
    assert total.mean() == pytest.approx(214.623126747, rel=2e-3)
    assert np.quantile(total, [0.05, 0.5, 0.95]) == pytest.approx([166.638799, 211.659843, 272.677970], rel=4e-3)
