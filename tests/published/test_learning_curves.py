"""Learning curves against the published numbers of the R package learningCurve (Boehmke and Freels)."""

from __future__ import annotations

import numpy as np
import pytest

from calib.baseline.learning_curve import cumulative_midpoint, repeats, unit_time


@pytest.mark.outside("R package learningCurve (Boehmke and Freels), unit_curve", "seen")
def test_unit_125_at_85_per_cent():
    # unit_curve example: first unit 100 h, 85 %, unit 125
    assert unit_time(100.0, 125, 0.85) == pytest.approx(32.23647, abs=5e-6)


@pytest.mark.outside("R package learningCurve, unit_cum_appx and unit_cum_exact", "seen")
def test_cumulative_of_125_units():
    # unit_cum_appx test 5202.988; unit_cum_exact example 5201.085
    assert 100 * cumulative_midpoint(125, 0.85) == pytest.approx(5202.988, abs=5e-4)
    assert np.sum(unit_time(100.0, np.arange(1, 126), 0.85)) == pytest.approx(5201.085, abs=5e-4)


@pytest.mark.outside("usual table of the 80 % curve", "from memory, numbers computed")
def test_table_of_80_per_cent():
    # the usual textbook table (printed table from memory, numbers follow from the formula)
    units = np.array([2, 3, 4, 5, 10, 20])
    assert unit_time(1.0, units, 0.8) == pytest.approx([0.8, 0.7021, 0.64, 0.5956, 0.4765, 0.3812], abs=1e-4)
    totals = [np.sum(unit_time(1.0, np.arange(1, n + 1), 0.8)) for n in units]
    assert totals == pytest.approx([1.8, 2.5021, 3.1421, 3.7377, 6.3154, 10.4849], abs=1e-4)
    assert repeats(units, 0.8) == pytest.approx(totals, rel=0.02)


@pytest.mark.outside("Wideman, Learning curve mathematics", "seen")
def test_second_unit_takes_the_rate_of_the_first():
    # R. M. Wideman, "Learning curve mathematics": at 80 % Crawford's second unit takes 80 %, Wright's 60 %
    assert unit_time(1.0, 2, 0.8) == pytest.approx(0.8)


def test_without_learning_repeats_are_units():
    assert repeats(np.array([1.0, 5.0, 100.0]), 1.0) == pytest.approx([1.0, 5.0, 100.0])
