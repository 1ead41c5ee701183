"""False alarms are as many as promised, for the whole lab; looking more often makes no more of them."""

from __future__ import annotations

import numpy as np
import pytest

from bench.bench_drift_promise import NOISES, false_alarms, quiet_lab
from calib.drift.chart import find_alarms
from calib.drift.limits import chart_limits

pytestmark = pytest.mark.all_quiet_years

LABS = 6


@pytest.mark.slow
@pytest.mark.parametrize("noise", NOISES)
def test_quiet_labs_have_the_false_alarms_asked_for(noise):
    # levels, spreads and bench work charted together; the bound is the 99.9 % point of the Poisson count of six lab-years
    from scipy.stats import poisson

    found = sum(false_alarms(quiet_lab(np.random.default_rng([6, i]), 10, noise), 3.0) for i in range(LABS))
    assert poisson.ppf(0.001, 3.0 * LABS) <= found <= poisson.ppf(0.999, 3.0 * LABS)


def test_looking_daily_finds_the_alarms_that_looking_once_a_week_finds():
    rng = np.random.default_rng(4)
    met = 0
    for _ in range(6):
        at = np.sort(rng.uniform(0, 182, 150))
        values = rng.standard_t(5, 150) + 1.2 * (at > 100)
        looks = {
            every: {
                alarm
                for day in range(0, 189, every)
                for alarm in find_alarms(values[at <= day], np.ones(np.sum(at <= day)), 2.0, 300)
            }
            for every in (1, 7)
        }
        assert looks[1] == looks[7]
        met += len(looks[1])
    assert met >= 6


def test_of_two_charts_the_one_with_fewer_runs_has_the_larger_share():
    rng = np.random.default_rng(8)
    errors = [rng.standard_normal(n) for n in (1000, 1000, 60, 60)]
    pace = np.array([1000.0, 1000.0, 60.0, 60.0])
    together = chart_limits(errors, pace, 2.0)
    assert together[0] == together[1] > together[2]
    assert (chart_limits(errors, pace, 0.2) > together).all()
