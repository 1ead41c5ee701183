import numpy as np
import pytest
import trimesh
from solids_for_tests import as_library_mesh, ball, box, united

from calib.geometry.supports import find_supports


def test_overhanging_beam():
    # a post 10 x 10 x 30 with an arm 20 mm out, 25 mm above the plate: 20 x 10 x 25 under it
    found = find_supports(united(box(10, 10, 30), box(30, 10, 5, (0, 0, 25))), 45)
    assert found.volume_cm3 == pytest.approx(5.0, rel=1e-9)
    assert found.downward_cm2 == found.contact_cm2 == pytest.approx(2.0, rel=1e-9)
    assert found.greatest_thickness_mm == pytest.approx(10.0, rel=0.03)


def test_bridge_over_its_own_floor_stands_on_the_part():
    # between posts, 5 mm floor to 15 mm lintel: 20 x 5 x 10, touching floor and lintel
    frame = united(box(30, 5, 5), box(5, 5, 20), box(5, 5, 20, (25, 0, 0)), box(30, 5, 5, (0, 0, 15)))
    found = find_supports(frame, 45)
    assert found.volume_cm3 == pytest.approx(1.0, rel=0.01)
    assert found.downward_cm2 == pytest.approx(1.0, rel=1e-9)
    assert found.contact_cm2 == pytest.approx(2.0, rel=0.01)


def test_sphere_needs_its_lower_cap_held():
    # cap within 45 degrees of the pole: area 2 pi r^2 (1 - cos 45); under it the cylinder less the spherical segment
    r, h, a = 10.0, 10 * (1 - np.sqrt(0.5)), 10 * np.sqrt(0.5)
    found = find_supports(ball(r, 6), 45)
    assert found.downward_cm2 == pytest.approx(2 * np.pi * r * h / 100, rel=0.01)
    segment = np.pi * h / 6 * (3 * a**2 + h**2)
    assert found.volume_cm3 == pytest.approx((np.pi * a**2 * h - segment) / 1000, rel=0.02)


def test_cup_needs_none_upright_and_its_inside_when_turned_over():
    cup = box(20, 20, 20)
    inside = box(16, 16, 18, (2, 2, 2))
    shell = trimesh.boolean.difference([as_library_mesh(cup), as_library_mesh(inside)], engine="manifold").triangles
    assert find_supports(shell, 45).volume_cm3 == 0
    over = find_supports(shell * [1, -1, -1], 45)
    assert over.volume_cm3 == pytest.approx(16 * 16 * 18 / 1000, rel=1e-9)
    assert over.downward_cm2 == pytest.approx(2.56, rel=1e-9)


@pytest.mark.parametrize("degrees", [0, 30, 45, 60, 75])
def test_a_machine_that_needs_supports_under_steeper_surface_never_needs_less(degrees):
    solid = ball(10.0)
    assert find_supports(solid, degrees).downward_cm2 <= find_supports(solid, degrees + 15).downward_cm2
    assert find_supports(solid, 0).volume_cm3 == 0


@pytest.mark.parametrize(("overhang_deg", "held"), [(45, False), (49.9, False), (50, False), (50.1, True), (60, True)])
def test_the_angle_is_that_of_a_flank_from_the_horizontal(overhang_deg, held):
    # a wedge that widens upwards: its flank rises 50 degrees from the plate
    out = 20 / np.tan(np.deg2rad(50))
    wedge = trimesh.Trimesh([(0, 0, 0), (10, 0, 0), (10 + out, 0, 20), (0, 0, 20), (0, 30, 0), (10, 30, 0),
                             (10 + out, 30, 20), (0, 30, 20)]).convex_hull.triangles  # fmt: skip
    flank_cm2 = 30 * np.hypot(20, out) / 100
    assert find_supports(np.array(wedge), overhang_deg).downward_cm2 == pytest.approx(flank_cm2 if held else 0.0)


@pytest.mark.parametrize("layer_mm", [0.1, 0.2, 0.35])
def test_supports_are_known_layer_by_layer(layer_mm):
    # an arm 20 x 10 mm at 25 mm over the plate, another 10 x 10 at 4 mm: their sections add up to the volume
    arms = united(box(10, 10, 30), box(30, 10, 5, (0, 0, 25)), box(10, 10, 3, (-10, 0, 4)))
    found = find_supports(arms, 45)
    sections = found.sections_mm2(layer_mm, round(30 / layer_mm))
    assert sections.sum() * layer_mm == pytest.approx(1000 * found.volume_cm3)
    low, high = int(4 / layer_mm) - 1, int(25 / layer_mm) - 1
    assert sections[:low] == pytest.approx(300, rel=0.03)
    assert sections[low + 2 : high] == pytest.approx(200, rel=0.03)
    assert not sections[high + 2 :].any()
