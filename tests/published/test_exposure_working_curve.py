"""Light on resin against the working curve and the laser equations of a textbook."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.baseline.exposure import (
    cure_depth_mm,
    hatch_overlap,
    laser_exposure_mj_cm2,
    laser_speed_mm_s,
    masked_exposure_s,
    needed_exposure_mj_cm2,
)

# I. Gibson, D. Rosen, B. Stucker, "Additive Manufacturing Technologies", 2nd ed., Springer 2015: equations 4.11, 4.16,
# 4.23 and 4.26 seen there; the numbers below are computed from them with the inputs named, to the digits given.


@pytest.mark.outside("Gibson, Rosen, Stucker 2015, eq. 4.23 (Jacobs 1992)", "equation seen, numbers computed")
def test_working_curve_with_dp_014_and_ec_8():
    exposure = np.array([8.0, 16.0, 8.0 * np.e, 80.0])
    assert cure_depth_mm(exposure, 0.14, 8.0) == pytest.approx([0.0, 0.0970406, 0.14, 0.3223619], abs=1e-7)


@pytest.mark.outside("Gibson, Rosen, Stucker 2015, eq. 4.11 and 4.16", "equation seen, numbers computed")
def test_laser_exposure_and_cure_depth_of_one_line():
    # eq. 4.11 and 4.16: P 250 mW, W0 0.125 mm, Vs 1000 mm/s
    exposure = laser_exposure_mj_cm2(250.0, 0.125, 1000.0)
    assert exposure == pytest.approx(159.57691, rel=1e-6)
    assert cure_depth_mm(exposure, 0.14, 8.0) == pytest.approx(0.4190318, rel=1e-6)


@pytest.mark.outside("Gibson, Rosen, Stucker 2015, eq. 4.16", "equation seen, numbers computed")
def test_laser_speed_for_a_cure_depth():
    assert laser_speed_mm_s(0.15, 0.14, 8.0, 250.0, 0.125) == pytest.approx(6832.26257, rel=1e-6)


@pytest.mark.outside("Gibson, Rosen, Stucker 2015, eq. 4.26", "equation seen, numbers computed")
def test_hatch_overlap_of_nine_scans():
    ratios = np.array([0.5, 0.75, 1.0, 1.5, 2.0])
    expected = [2.5066208, 1.6716031, 1.2713415, 1.0222180, 1.0006709]
    assert hatch_overlap(ratios) == pytest.approx(expected, abs=1e-7)


@pytest.mark.outside("Gibson, Rosen, Stucker 2015, p. 92: nine scans carry about 99 %", "seen")
def test_nine_scans_carry_nearly_all_exposure_at_half_a_radius():
    # the book says 'about 99 %'; the infinite sum is sqrt(pi/2)/r to many digits at this spacing
    assert hatch_overlap(0.5) / (np.sqrt(np.pi / 2.0) / 0.5) > 0.99


@pytest.mark.outside("Jacobs 1992, working curve, solved for the time of a layer", "equation seen, numbers computed")
@pytest.mark.parametrize(("irradiance", "seconds"), [(2.0, 8.170908), (5.0, 3.268363), (10.0, 1.634182)])
def test_masked_layer(irradiance, seconds):
    assert masked_exposure_s(0.10, 0.14, 8.0, irradiance) == pytest.approx(seconds, abs=1e-6)


@given(st.floats(1, 1000), st.floats(0.01, 1.0), st.floats(10, 10000))
def test_exposure_across_a_line_holds_all_of_the_laser_s_energy(power, radius, speed):
    # integral of E(y, 0) over y is P / Vs (eq. 4.11)
    y = np.linspace(-6 * radius, 6 * radius, 2001)
    energy = np.sum(laser_exposure_mj_cm2(power, radius, speed, y) / 100.0) * (y[1] - y[0])
    assert energy == pytest.approx(power / speed, rel=1e-9)


@given(st.floats(0.01, 1.0), st.floats(0.02, 0.5), st.floats(0.1, 100.0))
def test_needed_exposure_turns_the_curve_round(depth, penetration, critical):
    needed = needed_exposure_mj_cm2(depth, penetration, critical)
    assert cure_depth_mm(needed, penetration, critical) == pytest.approx(depth, rel=1e-9)
    doubled = cure_depth_mm(2.0 * needed, penetration, critical)
    assert doubled - depth == pytest.approx(penetration * np.log(2.0), rel=1e-6)
