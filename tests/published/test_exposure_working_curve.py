"""Light on resin against the working curve and the laser equations of a textbook."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.baseline.build import explain
from calib.baseline.exposure import laser_exposure_mj_cm2, needed_exposure_mj_cm2
from calib.shop.patch import patched
from calib.shop.template import shop_text

# I. Gibson, D. Rosen, B. Stucker, "Additive Manufacturing Technologies", 2nd ed., Springer 2015: equations 4.11, 4.16
# and 4.23 seen there; the numbers below are computed from them with the inputs named, to the digits given.


@pytest.mark.outside("Gibson, Rosen, Stucker 2015, eq. 4.23 (Jacobs 1992)", "equation seen, numbers computed")
def test_working_curve_with_dp_014_and_ec_8():
    depth = np.array([0.0, 0.0970406, 0.14, 0.3223619])
    assert needed_exposure_mj_cm2(depth, 0.14, 8.0) == pytest.approx([8.0, 16.0, 8.0 * np.e, 80.0], rel=1e-6)


@pytest.mark.outside("Gibson, Rosen, Stucker 2015, eq. 4.11 and 4.16", "equation seen, numbers computed")
def test_laser_exposure_and_cure_depth_of_one_line():
    # eq. 4.11 and 4.16: P 250 mW, W0 0.125 mm, Vs 1000 mm/s
    exposure = laser_exposure_mj_cm2(250.0, 0.125, 1000.0)
    assert exposure == pytest.approx(159.57691, rel=1e-6)
    assert needed_exposure_mj_cm2(0.4190318, 0.14, 8.0) == pytest.approx(exposure, rel=1e-6)


RESIN = '[[material]]\nid = "resin"\npenetration_mm = 0.14\ncritical_mj_cm2 = 8\n'
SCANNED = """[[machine]]
id = "scan"
process = "VPP"
kind = "scanned"
build_mm = [250, 250, 250]
materials = ["resin"]
layer_mm = 0.1
overcure_mm = 0.05
laser_power_mw = 250
beam_radius_mm = 0.125
scan_speed_mm_s = 50000
hatch_mm = 0.1
contours = 0
jump_delay_s = 0
"""


def light_s(machine, text, **columns):
    """Seconds of light of a build of 40 mm, in a shop with the resin above."""
    row = {"process": "VPP", "machine": machine, "material": "resin", "parts": 1.0, "height_mm": 40.0,
           "part_volume_cm3": 40.0, "support_volume_cm3": 0.0, **columns}  # fmt: skip
    made = {name: np.array([value], object if isinstance(value, str) else float) for name, value in row.items()}
    terms = explain(made, patched(shop_text("UTC"), RESIN + text))
    return 60 * next(term.minutes for term in terms if term.name == "light")


@pytest.mark.outside("Jacobs 1992, working curve, solved for the time of a layer", "equation seen, numbers computed")
@pytest.mark.parametrize(("irradiance", "seconds"), [(2.0, 8.170908), (5.0, 3.268363), (10.0, 1.634182)])
def test_a_masked_build_shines_as_long_as_the_working_curve_asks(irradiance, seconds):
    # 0.05 mm layers, cured 0.05 mm deeper: Cd 0.10 mm; 800 layers
    text = f'[[machine]]\nid = "vpp1"\nlayer_mm = 0.05\novercure_mm = 0.05\nirradiance_mw_cm2 = {irradiance}\n'
    assert light_s("vpp1", text) == pytest.approx(800 * seconds, rel=1e-6)


@pytest.mark.outside("Gibson, Rosen, Stucker 2015, eq. 4.16", "equation seen, numbers computed")
def test_a_laser_draws_a_build_at_the_speed_of_the_working_curve():
    # Cd 0.15 mm: 6832.26257 mm/s; 40 cm3 in layers of 0.1 mm, lines 0.1 mm apart: 4,000,000 mm of lines
    assert light_s("scan", SCANNED) == pytest.approx(4e6 / 6832.26257, rel=1e-6)


@given(st.floats(1, 1000), st.floats(0.01, 1.0), st.floats(10, 10000))
def test_exposure_across_a_line_holds_all_of_the_laser_s_energy(power, radius, speed):
    # integral of E(y, 0) over y is P / Vs (eq. 4.11)
    y = np.linspace(-6 * radius, 6 * radius, 2001)
    energy = np.sum(laser_exposure_mj_cm2(power, radius, speed, y) / 100.0) * (y[1] - y[0])
    assert energy == pytest.approx(power / speed, rel=1e-9)


@given(st.floats(0.01, 1.0), st.floats(0.02, 0.5), st.floats(0.1, 100.0))
def test_twice_the_exposure_cures_deeper_by_dp_times_ln_2(depth, penetration, critical):
    needed = needed_exposure_mj_cm2(depth, penetration, critical)
    deeper = needed_exposure_mj_cm2(depth + penetration * np.log(2.0), penetration, critical)
    assert deeper == pytest.approx(2.0 * needed, rel=1e-9)
