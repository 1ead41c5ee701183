"""Queueing formulas against printed results."""

from __future__ import annotations

import pytest
from scipy import stats

from calib.errors import OutsideModelError
from calib.quoting.staff import erlang_b, erlang_c, several_servers


def test_bronson_23_3_one_server():
    # R. Bronson, "Schaum's Outline of Operations Research" (1982), problem 23.3, results as quoted on the page of a
    # web calculator: 24 an hour come, 30 an hour are served: L = 4, W = 1/6 h, p0 = 0.2
    found = several_servers(24, 30)
    assert (found.present, found.stay, found.none_waiting) == pytest.approx((4, 1 / 6, 0.2))


def test_bronson_23_14_and_23_16():
    # Same source: 30 an hour, 1.5 min each: Lq 2.25, Wq 4.5 min; 1 a minute, 45 s each: Wq 2.25 min, W 3 min
    first, second = several_servers(30, 40), several_servers(1, 4 / 3)
    assert (first.waiting, first.wait * 60) == pytest.approx((2.25, 4.5))
    assert (second.wait, second.stay) == pytest.approx((2.25, 3))


def test_bronson_24_6_three_servers():
    # Same source, problem 24.6: 300 and 182.5 a year: Lq .352, L 1.996, Wq .001175 year, W .006654 year, as printed
    found = several_servers(300, 182.5, 3)
    assert found.waiting == pytest.approx(0.352, abs=0.0005)
    assert found.present == pytest.approx(1.996, abs=0.0005)
    assert found.wait == pytest.approx(0.001175, abs=0.0000005)
    assert found.stay == pytest.approx(0.006654, abs=0.0000005)


def test_render_and_stair_14_3_two_servers():
    # B. Render, R. M. Stair, solutions manual, alternative example 14.3: 20/h, two serve 30/h each: L = 0.75
    found = several_servers(20, 30, 2)
    assert (found.present, found.waiting) == pytest.approx((0.75, 1 / 12))


def test_kelton_2_6_1():
    # W. D. Kelton et al., simulation textbook, solution page of exercise 2.6.1: Lq 3.2, Wq 4, L 4, W 5 at 0.8 a minute
    found = several_servers(0.8, 1.0)
    assert (found.waiting, found.wait, found.present, found.stay) == pytest.approx((3.2, 4, 4, 5))


@pytest.mark.parametrize(("load", "servers"), [(1, 2), (2, 3), (5, 7), (10, 12), (20, 25)])
def test_erlang_by_the_sums_that_define_it(load, servers):
    # A. K. Erlang 1917: B = (a^c / c!) / sum a^k / k!, the Poisson distribution cut at c, by scipy
    loss = stats.poisson.pmf(servers, load) / stats.poisson.cdf(servers, load)
    assert erlang_b(load, servers) == pytest.approx(loss, rel=1e-10)
    delay = loss / (1 - load / servers * (1 - loss))
    assert erlang_c(load, servers) == pytest.approx(delay, rel=1e-10)


def test_a_full_load_has_no_steady_state():
    with pytest.raises(OutsideModelError, match="load of 100% has no steady state"):
        several_servers(30, 30)
