"""The chart on noise whose truth is known: jumps, timers, ways back, and how often limits are crossed."""

from __future__ import annotations

import numpy as np
import pytest

from calib.drift.chart import UNKNOWN, Alarm, find_alarms, goes_back, news
from calib.drift.limits import chart_limits, largest_odds

pytestmark = pytest.mark.all_quiet_years

A_YEAR, LIMIT = 200, 3.0


def heavy_tailed(rng, *shape):
    return rng.standard_t(5, shape) / np.sqrt(5 / 3)


@pytest.mark.parametrize(("size", "usually"), [(3, 9), (5, 7), (12, 8)])
def test_a_jump_is_found_within_few_runs_however_large(size, usually):
    rng, needed = np.random.default_rng(3), []
    for _ in range(10):
        values = heavy_tailed(rng, 160)
        values[100:] -= size
        first = find_alarms(values, np.ones(160), LIMIT, A_YEAR)[0]
        assert first.sign == -1
        needed.append(first.run - 99)
    assert 0 < min(needed) <= np.median(needed) <= usually
    assert max(needed) <= 15


def test_forgotten_timers_that_come_alone_or_in_pairs_raise_nothing():
    values = np.tile([0.5, -0.5, 0.2, -0.2], 40)
    values[[40, 70, 71, 100, 130, 131]] = 12.0
    assert find_alarms(values, np.ones(160), 1.0, A_YEAR) == []


def test_a_level_that_is_again_what_it_was_is_no_news():
    rng = np.random.default_rng(5)
    values, ones = rng.standard_normal(240), np.ones(240)
    values[80:140] += 2.0
    up, down = find_alarms(values, ones, LIMIT, A_YEAR)
    assert (up.sign, down.sign) == (1, -1)
    assert goes_back(values, ones, [up, down])
    assert news(values, ones, [up, down]) == [up]


def test_a_level_that_comes_half_the_way_back_or_goes_on_is_news():
    rng = np.random.default_rng(5)
    alarms = [Alarm(90, 80, 1), Alarm(150, 140, -1)]
    values, ones = rng.standard_normal(240) + np.repeat([0.0, 2.0, 1.0], 80), np.ones(240)
    assert not goes_back(values, ones, alarms)
    assert news(values, ones, alarms) == alarms
    assert not goes_back(values, ones, alarms[:1])


@pytest.mark.slow
@pytest.mark.parametrize(("pace", "a_year"), [(30, 0.02), (150, 0.005), (600, 0.02)])
def test_limits_for_rare_alarms_are_crossed_as_often_as_asked_for(pace, a_year):
    # eight charts of three years, limits from their own runs; crossed within a factor of 2.5 in years of the very law
    rng = np.random.default_rng(pace)
    errors = [heavy_tailed(rng, 3 * pace) for _ in range(8)]
    limit = chart_limits(errors, np.full(8, float(pace)), 8 * a_year)[0]
    years = 6000 if pace < 500 else 2500
    quiet = [
        largest_odds(heavy_tailed(rng, 500_000), (years // 10, pace), 2 * pace, 1, rng, UNKNOWN) for _ in range(10)
    ]
    crossed = float(np.mean(np.concatenate(quiet) > limit))
    assert a_year / 2.5 < crossed < a_year * 2.5
