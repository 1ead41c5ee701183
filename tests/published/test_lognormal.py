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
    found = Calibrator().predict(rows, LEVELS)[list(LEVELS)].to_numpy()[0]
    assert found == pytest.approx([4.393641049, 5.268835183, 10.0, 18.979527073, 22.760166085], rel=1e-4)


def test_sum_of_two_lognormals():
    # ln 110 / .25 and ln 100 / .15, independent: mean 214.623, exact 5/50/95 % 166.639, 211.660, 272.678 by
    # convolution; the means are exp(mu + sigma^2 / 2), Fenton (1960)
    rows = pd.DataFrame(
        {"process": ["MEX", "VPP"], "stage": ["printing"] * 2, "baseline_min": [110.0, 100.0], "prior_sd": [0.25, 0.15]}
    )
    total = Calibrator().draws(rows, 200_000, seed=3).sum(axis=1)
    assert total.mean() == pytest.approx(214.623126747, rel=2e-3)
    assert np.quantile(total, [0.05, 0.5, 0.95]) == pytest.approx([166.638799, 211.659843, 272.677970], rel=4e-3)
