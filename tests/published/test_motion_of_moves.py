"""Moves, beads and chords against closed forms, and against integration of the motion."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.baseline.build_inputs import read_builds
from calib.baseline.motion import bead_section_mm2, flow_limited_mm_s, move_s
from calib.baseline.sections import mean_sections
from calib.shop.read_shop import shop_from_text
from calib.shop.template import shop_text

# Elementary kinematics of a trapezoidal speed; numbers computed by hand from T = L/v + v/a or 2 sqrt(L/a).
CASES = [
    (100.0, 50.0, 1000.0, 2.05),
    (2.5, 50.0, 1000.0, 0.1),
    (2.0, 50.0, 1000.0, 0.0894427191),
    (10.0, 100.0, 3000.0, 0.1333333333),
    (100.0, 100.0, 3000.0, 1.0333333333),
    (1.0, 100.0, 3000.0, 0.0365148372),
]


@pytest.mark.outside("Lynch and Park, Modern Robotics, sec. 9.2.2", "from memory, numbers computed")
@pytest.mark.parametrize(("length", "speed", "acceleration", "seconds"), CASES)
def test_trapezoidal_move_from_rest(length, speed, acceleration, seconds):
    assert move_s(length, speed, acceleration) == pytest.approx(seconds, abs=1e-10)


@given(st.floats(0.1, 200.0), st.floats(5.0, 300.0), st.floats(100.0, 20000.0), st.floats(0.0, 1.0))
def test_move_covers_its_length_when_the_motion_is_integrated(length, speed, acceleration, share):
    corner = share * speed
    seconds = float(move_s(length, speed, acceleration, corner))
    t = np.linspace(0.0, seconds, 20001)
    v = np.minimum(np.minimum(corner + acceleration * t, corner + acceleration * (seconds - t)), speed)
    covered = np.sum((v[1:] + v[:-1]) / 2.0) * (t[1] - t[0])
    assert covered == pytest.approx(length, rel=1e-4)


@given(st.floats(0.0, 100.0), st.floats(1.0, 300.0), st.floats(10.0, 20000.0), st.floats(0.0, 300.0))
def test_move_is_never_faster_than_cruise(length, speed, acceleration, corner):
    assert move_s(length, speed, acceleration, corner) >= length / speed * (1 - 1e-9)


def test_two_halves_stopped_between_are_slower_than_one_move():
    assert 2 * move_s(10.0, 100.0, 1000.0) > move_s(20.0, 100.0, 1000.0)


@pytest.mark.outside("plane geometry and conservation of volume", "computed")
def test_flow_of_a_bead():
    # plane geometry: 0.45 x 0.2 mm with round ends at 60 mm/s; a rectangle 0.4 x 0.2 would be 4.8 mm3/s
    assert bead_section_mm2(0.45, 0.2) * 60.0 == pytest.approx(4.884956, abs=1e-6)
    filament = np.pi * 1.75**2 / 4.0
    assert bead_section_mm2(0.45, 0.2) * 60.0 / filament * 1.0 == pytest.approx(2.0309, abs=1e-3)


def test_flow_limit():
    assert flow_limited_mm_s(100.0, 8.0, 0.1) == pytest.approx(80.0)
    assert flow_limited_mm_s(60.0, 8.0, 0.1) == pytest.approx(60.0)


@pytest.mark.outside("Cauchy-Crofton formula; Santalo, Integral Geometry", "from memory")
def test_fill_lines_of_a_section_that_is_not_known_are_those_of_random_lines():
    # Cauchy-Crofton: mean chord of a convex section over all directions is pi A / P; here by 200,000 random lines
    rng = np.random.default_rng(3)
    a, b = 10.0, 100.0
    angle = rng.uniform(0.0, np.pi, 200_000)
    reach = (a + b) / 2.0
    offset = rng.uniform(-reach, reach, angle.size)
    chords = _chords_of_a_rectangle(a, b, angle, offset)
    row = {"process": "MEX", "machine": "mex1", "parts": 1.0, "height_mm": 20.0, "part_volume_cm3": a * b * 20.0 / 1000,
           "part_area_cm2": 2 * (a * b + 20.0 * (a + b)) / 100}  # fmt: skip
    made = {name: np.array([value], object if isinstance(value, str) else float) for name, value in row.items()}
    mean = mean_sections(read_builds(made, shop_from_text(shop_text("UTC")), "extruder", np.array([0])))
    assert chords[chords > 0].mean() == pytest.approx(float(mean.area_mm2[0] / mean.line_width_mm[0]), rel=0.02)


def _chords_of_a_rectangle(a, b, angle, offset):
    """Length of the line x cos + y sin = offset inside the rectangle, by clipping."""
    nx, ny = np.cos(angle), np.sin(angle)
    px, py = offset * nx, offset * ny
    low, high = np.full(angle.shape, -1e9), np.full(angle.shape, 1e9)
    for p, d, half in ((px, -ny, a / 2.0), (py, nx, b / 2.0)):
        first, last = (-half - p) / d, (half - p) / d
        low, high = np.maximum(low, np.minimum(first, last)), np.minimum(high, np.maximum(first, last))
    return np.maximum(high - low, 0.0)
