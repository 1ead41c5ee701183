"""Time of paths against trapezoids by hand, a step-by-step integration, and the bounds of kinematics."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.baseline.motion import move_s
from calib.baseline.path import move_seconds, path_time, run_s
from calib.errors import OutsideModelError
from calib.geometry.read_path import read_path
from calib.shop.keys import machine_defaults

MACHINE = {**machine_defaults("extruder"), "acceleration_mm_s2": 1000.0, "corner_speed_mm_s": 10.0}


@pytest.fixture
def path_of(tmp_path):
    def read(text):
        file = tmp_path / "plate.nc"
        file.write_text(text)
        return read_path(file)

    return read


def seconds(path):
    return float(move_seconds(path, MACHINE).sum())


def test_a_trapezoid_and_a_triangle_by_hand(path_of):
    # 100 mm at 50 mm/s and 1000 mm/s2: 0.05 s up, 0.05 s down over 1.25 mm each, 97.5 mm at 50 mm/s
    assert seconds(path_of("G1 X100 E1 F3000")) == pytest.approx(0.1 + 97.5 / 50)
    # 1 mm is too short to reach it: half of it at 1000 mm/s2, sqrt(2 x 0.5 / 1000) s, and back
    assert seconds(path_of("G1 X1 E1 F3000")) == pytest.approx(2 * math.sqrt(2 * 0.5 / 1000))


def test_a_square_with_known_corners(path_of):
    square = path_of("G91\nG1 X40 E1 F3000\nG1 Y40 E1\nG1 X-40 E1\nG1 Y-40 E1")
    side = float(move_s(40.0, 50.0, 1000.0, 10.0))
    # two sides between corners kept at 10 mm/s; the first and the last rest at one end
    end = (50 - 0) / 1000 + (50 - 10) / 1000 + (40 - (50**2 + 50**2 - 10**2) / 2000) / 50
    assert seconds(square) == pytest.approx(2 * side + 2 * end)


def test_many_short_chords_of_a_circle_take_what_the_arc_takes(path_of):
    angles = np.linspace(0, 2 * np.pi, 721)[1:]
    chords = "G1 X30 E1 F6000\n" + "".join(
        f"G1 X{30 * math.cos(a):.6f} Y{30 * math.sin(a):.6f} E{i + 2}\n" for i, a in enumerate(angles)
    )
    arc = "G1 X30 E1 F6000\nG3 X30 Y0 I-30 J0 E2\n"
    assert seconds(path_of(chords)) == pytest.approx(seconds(path_of(arc)), rel=0.01)


def test_an_arc_is_bounded_by_its_centripetal_acceleration(path_of):
    arc = path_of("G3 X0 Y0 I2 J0 E1 F60000")
    assert seconds(arc) >= 4 * math.pi / math.sqrt(1000 * 2.0)


def test_against_a_step_by_step_integration(path_of):
    """The same kinematics, driven in steps of 20 micrometres: greatest speed that still can brake for all that follows."""
    rng = np.random.default_rng(7)
    text = "G91\n" + "".join(
        f"G1 X{x:.3f} Y{y:.3f} E1 F{f:.0f}\n" for x, y, f in zip(*rng.normal(0, 4, (2, 60)), rng.uniform(600, 9000, 60), strict=True)
    )  # fmt: skip
    path = path_of(text)
    before = np.append(path.speed_mm_s[0], path.speed_mm_s[:-1])
    both = path.length_mm + np.append(path.length_mm[0], path.length_mm[:-1])
    sine = np.maximum(path.turn, 1e-9)
    corner = np.minimum(
        np.minimum(10 * math.sqrt(0.5) / sine, np.sqrt(1000 * both / 4 / sine)), np.minimum(before, path.speed_mm_s)
    )
    corner[0] = 0.0
    steps, limit = [], []
    for length, speed, enters in zip(path.length_mm, path.speed_mm_s, corner, strict=True):
        count = max(int(length / 0.002), 1)
        steps += [length / count] * count
        limit += [min(enters, speed), *[speed] * (count - 1)]
    limit = np.array([*limit, 0.0])
    for i in range(len(steps)):
        limit[i + 1] = min(limit[i + 1], math.sqrt(limit[i] ** 2 + 2000 * steps[i]))
    for i in reversed(range(len(steps))):
        limit[i] = min(limit[i], math.sqrt(limit[i + 1] ** 2 + 2000 * steps[i]))
    stepped = sum(2 * step / (a + b) for step, a, b in zip(steps, limit, limit[1:], strict=False))
    assert seconds(path) == pytest.approx(stepped, rel=2e-3)


def test_bounds_of_kinematics(path_of):
    rng = np.random.default_rng(3)
    text = "".join(
        f"G1 X{x:.3f} Y{y:.3f} E{i + 1} F{f:.0f}\n"
        for i, (x, y, f) in enumerate(rng.uniform([0, 0, 300], [200, 200, 12000], (300, 3)))
    )
    path = path_of(text)
    times = move_seconds(path, MACHINE)
    fastest = path.length_mm / path.speed_mm_s
    stopped = run_s(path.length_mm, path.speed_mm_s, 1000.0, 0.0, 0.0)
    assert np.all(times >= fastest - 1e-9)
    assert np.all(times <= stopped + 1e-9)


def test_heat_is_waited_for_once(path_of):
    both = path_of("M140 S60\nM104 S210\nM190 S60\nM109 S210\nG1 X10 E1 F600")
    time = path_time(both, MACHINE)
    m = MACHINE
    bed = -60 * m["bed_tau_min"] * math.log((m["bed_reach_c"] - 60) / (m["bed_reach_c"] - m["ambient_c"]))
    assert time.first_heat_s == pytest.approx(bed)  # the nozzle is warm long before
    assert time.later_heat_s == 0.0
    later = path_time(path_of("M104 S200\nG1 X10 E1 F600\nM109 S230\nG1 X20 E2"), MACHINE)
    assert later.later_heat_s > 0.0
    assert later.printing_min * 60 == pytest.approx(later.layer_s.sum() + later.later_heat_s)
    with pytest.raises(OutsideModelError, match="never reached"):
        path_time(path_of("M109 S99999\nG1 X10 E1 F600"), MACHINE)
