"""Learning curves against the published numbers of the R package learningCurve (Boehmke and Freels)."""

from __future__ import annotations

import numpy as np
import pytest

from calib.baseline.learning_curve import cumulative_midpoint, repeats


@pytest.mark.outside("R package learningCurve, unit_cum_appx and unit_cum_exact", "seen")
def test_cumulative_of_125_units():
    # unit_cum_appx test 5202.988; unit_cum_exact example 5201.085
    assert 100 * cumulative_midpoint(125, 0.85) == pytest.approx(5202.988, abs=5e-4)
    assert 100 * cumulative_midpoint(125, 0.85) == pytest.approx(5201.085, rel=5e-4)


@pytest.mark.outside("usual table of the 80 % curve", "from memory, numbers computed")
def test_table_of_80_per_cent():
    # the usual textbook table of cumulative times (printed table from memory, numbers follow from the formula)
    units = np.array([2, 3, 4, 5, 10, 20])
    assert repeats(units, 0.8) == pytest.approx([1.8, 2.5021, 3.1421, 3.7377, 6.3154, 10.4849], rel=0.02)


@pytest.mark.outside("Wideman, Learning curve mathematics", "seen")
def test_second_unit_takes_the_rate_of_the_first():
    # R. M. Wideman, "Learning curve mathematics": at 80 % Crawford's second unit takes 80 %, Wright's 60 %
    assert repeats(2.0, 0.8) - 1 == pytest.approx(0.8, rel=0.02)


def test_without_learning_repeats_are_units():
    assert repeats(np.array([1.0, 5.0, 100.0]), 1.0) == pytest.approx([1.0, 5.0, 100.0])
