"""The peers that our chart is measured against, against published tables: else the comparison would be worth nothing; and
our chart on the published examples."""

import numpy as np
import pytest

from bench.chart_peers import cusum_path, cusum_run_length, ewma_path, ewma_run_length, first_alarm
from calib.drift.chart import KNOWN_LEVEL, find_alarms

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: 20 group means, target 325, k 0.3175 (half a standard error)
NIST_MEANS = np.array([
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
])  # fmt: skip
# D. C. Montgomery, "Introduction to Statistical Quality Control", table 9.1: 20 from a normal law of mean 10, sd 1, then 10 of mean 11
MONTGOMERY = np.array([
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
    9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
])  # fmt: skip


def test_nist_cusum_example():
    # h 4.1959; the handbook signals at group 14
    found = first_alarm(NIST_MEANS - 325, 0.3175, 4.1959)
    assert found is not None
    assert (found.run + 1, found.sign) == (14, 1)


def test_montgomery_table_9_1():
    # Tables 9.1 and 9.2: mean 10, k 0.5, h 5; the sum signals at observation 29 and has been positive for 7: the shift is
    # dated after observation 22.
    printed = [
        0, 0, 0, 1.16, 2.82, 2.50, 0.04, 1.00, 0, 0, 0, 0.97, 0.98, 0, 0, 0, 0.12, 0, 0, 0.34, 0.74, 0,
        1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28,
    ]  # fmt: skip
    assert cusum_path(MONTGOMERY - 10, 0.5)[:29] == pytest.approx(printed, abs=0.006)
    found = first_alarm(MONTGOMERY - 10, 0.5, 5.0)
    assert found is not None
    assert (found.run, found.from_run) == (28, 22)


@pytest.mark.parametrize(
    ("values", "scale", "limit", "signals", "first"),
    [(NIST_MEANS - 325, 0.635, 3.0, 14, 13), (MONTGOMERY - 10, 1.0, 2.0, 29, 23)],
)
def test_our_chart_on_both_examples(values, scale, limit, signals, first):
    # told the level, as they are; it signals at most three groups later than the published sums, which clip nothing, and
    # dates the change where they do
    found = find_alarms(values, np.full(len(values), scale), limit, len(values), 0, KNOWN_LEVEL)
    assert [(alarm.sign, alarm.first + 1) for alarm in found] == [(1, first)]
    assert found[0].run + 1 <= signals + 3


@pytest.mark.parametrize(
    ("h", "shift", "printed"),
    [(4, 0, 168), (4, 0.5, 26.6), (4, 1, 8.38), (4, 2, 3.34), (5, 0, 465), (5, 1, 10.4)],
)
def test_run_lengths_of_the_two_sided_cusum(h, shift, printed):
    # J. M. Lucas and R. B. Crosier, Technometrics 24 (1982) 199-205, table 1 (h 4); Montgomery's table (h 5); k 0.5.
    # 2 %: the chain takes the score's distribution from a sample (here 200,001 normal quantiles) and rounds to states.
    from scipy.stats import norm

    scores = norm.ppf((np.arange(200_001) + 0.5) / 200_001)
    sides = [cusum_run_length(scores + s, 0.5, h) for s in (shift, -shift)]
    assert 1 / (1 / sides[0] + 1 / sides[1]) == pytest.approx(printed, rel=0.02)


def test_nist_ewma_example():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: 20 values, target 50, weight 0.3, sd 2.0539; the handbook
    # prints the path (from 50) to two digits and limits of 47.4115 and 52.5884.
    x = np.array([52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
                  49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])  # fmt: skip
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
               50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    assert ewma_path(x, 50.0, 0.3) == pytest.approx(printed, abs=0.006)
    assert 50 + 3 * np.sqrt(0.3 / 1.7) * 2.0539 == pytest.approx(52.5884, abs=0.0001)


@pytest.mark.parametrize(
    ("weight", "limit", "shift", "printed"),
    [
        (0.5, 3.071, 0, 500),
        (0.5, 3.071, 0.5, 88.8),
        (0.5, 3.071, 1, 17.5),
        (0.5, 3.071, 2, 3.63),
        (0.03, 2.437, 0, 500),
        (0.03, 2.437, 0.5, 29.3),
        (0.03, 2.437, 1, 12.6),
        (0.03, 2.437, 2, 5.99),
    ],
)
def test_run_lengths_of_ewma(weight, limit, shift, printed):
    # J. M. Lucas and M. S. Saccucci, Technometrics 32 (1990) 1-12, table 3, as the manual of the R package spc quotes it.
    assert ewma_run_length(weight, limit, shift) == pytest.approx(printed, rel=0.006)
