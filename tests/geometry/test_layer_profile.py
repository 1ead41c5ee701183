import tracemalloc

import manifold3d
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from solids_for_tests import as_library_mesh, ball, box, crumpled, torus, united

from calib.errors import MeshError
from calib.geometry import contours, sweep
from calib.geometry.layer_profile import layer_profile


def test_box_is_the_same_in_every_layer():
    profile = layer_profile(box(10, 20, 5), 0.2, angles_deg=(0.0, 90.0))
    assert len(profile.z_mm) == 25
    assert profile.z_mm[[0, -1]] == pytest.approx([0.1, 4.9])
    assert profile.area_mm2 == pytest.approx(200.0, rel=1e-12)
    assert profile.perimeter_mm == pytest.approx(60.0, rel=1e-12)
    assert set(profile.contours) == {1}
    assert set(profile.segments) == set(profile.corners) == {4}
    # lines along x are as many as its side along y has room for, and the other way round
    assert profile.line_width_mm == pytest.approx(np.tile([20.0, 10.0], (25, 1)))
    assert profile.up_skin_mm2 == pytest.approx(np.r_[np.zeros(24), 200.0])
    assert profile.down_skin_mm2 == pytest.approx(np.r_[200.0, np.zeros(24)])


def test_pyramid_follows_its_formula():
    # side 12 at the bottom, 6 high: side 12 - 2 z at height z
    tip, base = np.array([0.0, 0, 6]), np.array([[-6.0, -6, 0], [6, -6, 0], [6, 6, 0], [-6, 6, 0]])
    sides = [[base[i], base[(i + 1) % 4], tip] for i in range(4)]
    profile = layer_profile(np.array([*sides, base[[2, 1, 0]], base[[3, 2, 0]]]), 0.25)
    side = 12 - 2 * profile.z_mm
    assert profile.area_mm2 == pytest.approx(side**2, rel=1e-12)
    assert profile.perimeter_mm == pytest.approx(4 * side, rel=1e-12)
    next_side = np.append(side[1:], 0.0)
    assert profile.up_skin_mm2 == pytest.approx(side**2 - next_side**2, abs=1e-9)
    assert profile.down_skin_mm2 == pytest.approx(np.r_[144.0, np.zeros(23)], abs=1e-9)


def test_torus_lying_flat_has_two_contours_and_its_two_radii():
    profile = layer_profile(torus(20.0, 5.0), 0.5)
    assert set(profile.contours) == {2}
    half = np.sqrt(25 - (profile.z_mm - 5) ** 2)
    # 32 x 32 facets: a polygon of n sides lacks about 2 pi^2 / (3 n^2) of its area, 0.6 %
    assert profile.area_mm2[3:-3] == pytest.approx((np.pi * ((20 + half) ** 2 - (20 - half) ** 2))[3:-3], rel=0.03)
    # 32 turns of 11 degrees slow a path like 3 right angles: less than a triangle's 3.1, so it is run as a curve
    assert profile.corners / 2 == pytest.approx(np.full(len(profile.z_mm), 32 * 0.0958), rel=1e-3)


@pytest.mark.parametrize("layer_mm", [0.3, 1.0])
def test_irregular_solid_agrees_with_a_boolean_kernel(layer_mm):
    solid = crumpled()
    library = as_library_mesh(solid)
    kernel = manifold3d.Manifold(manifold3d.Mesh64(library.vertices, library.faces.astype(np.uint64)))
    profile = layer_profile(solid, layer_mm)
    bottom = solid[:, :, 2].min()
    for i in range(0, len(profile.z_mm), 7):
        section = kernel.slice(bottom + profile.z_mm[i])
        polygons = section.to_polygons()
        around = sum(np.linalg.norm(np.roll(p, -1, axis=0) - p, axis=1).sum() for p in polygons)
        assert profile.area_mm2[i] == pytest.approx(section.area(), rel=1e-6)
        assert profile.perimeter_mm[i] == pytest.approx(around, rel=1e-6)
        assert profile.contours[i] == len(polygons)


def test_contours_part_and_join_again():
    # an upright frame: one contour in its sill, two in its posts, one in its lintel
    frame = united(box(30, 5, 5), box(5, 5, 20), box(5, 5, 20, (25, 0, 0)), box(30, 5, 5, (0, 0, 15)))
    profile = layer_profile(frame, 1.0)
    assert list(profile.contours) == [1] * 5 + [2] * 10 + [1] * 5
    assert profile.down_skin_mm2[15] == pytest.approx(100.0)  # the lintel between the posts
    assert profile.up_skin_mm2[4] == pytest.approx(100.0)  # the sill between the posts


def test_cut_through_corners_keeps_contours_closed():
    # cuts at 0.5, 1.5 ... meet the tops of these steps exactly
    stairs = united(box(10, 10, 0.5), box(5, 10, 1.5), box(2, 10, 4))
    profile = layer_profile(stairs, 1.0)
    assert np.isin(np.round(profile.area_mm2, 9), [100.0, 50.0, 20.0]).all()
    assert set(profile.contours) == {1}


@settings(max_examples=25, deadline=None)
@given(st.floats(0.01, 1000.0), st.floats(0, 90))
def test_scale_and_turn_are_laws(scale, degrees):
    solid, turn = crumpled(2), np.deg2rad(degrees)
    turned = solid @ np.array([[np.cos(turn), np.sin(turn), 0], [-np.sin(turn), np.cos(turn), 0], [0, 0, 1]]).T
    one, other = layer_profile(solid, 2.0), layer_profile(turned * scale, 2.0 * scale)
    assert other.area_mm2 == pytest.approx(one.area_mm2 * scale**2, rel=1e-9)
    assert other.perimeter_mm == pytest.approx(one.perimeter_mm * scale, rel=1e-9)
    assert (other.contours == one.contours).all()


def test_area_adds_up_to_the_volume_and_skins_balance_the_areas():
    profile = layer_profile(ball(10.0), 0.05)
    assert profile.area_mm2.sum() * 0.05 == pytest.approx(as_library_mesh(ball(10.0)).volume, rel=1e-5)
    change = profile.area_mm2[:-1] - profile.area_mm2[1:]
    assert change == pytest.approx(profile.up_skin_mm2[:-1] - profile.down_skin_mm2[1:], abs=1e-8)


def test_a_finer_mesh_of_the_same_solid_changes_nothing():
    coarse, fine = box(10, 20, 5), np.array(as_library_mesh(box(10, 20, 5)).subdivide().subdivide().triangles)
    one, other = layer_profile(coarse, 0.3), layer_profile(fine, 0.3)
    for name in ("area_mm2", "perimeter_mm", "contours", "segments", "corners", "up_skin_mm2", "down_skin_mm2"):
        assert getattr(other, name) == pytest.approx(getattr(one, name), abs=1e-9)


def test_bunches_of_planes_give_what_one_bunch_gives(monkeypatch):
    whole = layer_profile(crumpled(), 0.3)
    monkeypatch.setattr(sweep, "PIECES_AT_ONCE", 500)
    monkeypatch.setattr(contours, "PIECES_AT_ONCE", 500)
    pieces = layer_profile(crumpled(), 0.3)
    for name in ("area_mm2", "perimeter_mm", "contours", "up_skin_mm2", "down_skin_mm2", "line_width_mm"):
        assert getattr(pieces, name) == pytest.approx(getattr(whole, name), abs=1e-9)


def test_part_thinner_than_half_a_layer_is_one_layer():
    profile = layer_profile(box(10, 10, 0.04), 0.2)
    assert profile.area_mm2 == pytest.approx([100.0])


@pytest.mark.parametrize(
    ("triangles", "layer_mm", "text"),
    [
        (np.zeros((0, 3, 3)), 0.2, "no triangle"),
        (box(1, 1, 1) * [1, 1, 0], 0.2, "flat"),
        (box(1, 1, 1), 0.0, "layer of 0.0 mm"),
        (box(1, 1, 1), float("nan"), "cannot be built"),
        (box(1, 1, 1e5), 0.01, "more than 200000 layers"),
    ],
)
def test_what_has_no_layers_is_said(triangles, layer_mm, text):
    with pytest.raises(MeshError, match=text):
        layer_profile(triangles, layer_mm)


@pytest.mark.parametrize("sides", [3, 4, 6, 8, 18, 60])
def test_corners_count_by_the_speed_that_is_kept_round_their_angle(sides):
    # v at a turn of t: sqrt 2 x 0.1 / (2 sin(t / 2)) of the speed between corners; ((1 - that) / 0.9)^2 right angles
    turn = 2 * np.pi / sides
    kept = min(np.sqrt(2) * 0.1 / (2 * np.sin(turn / 2)), 1.0)
    each = ((1 - kept) / 0.9) ** 2
    prism = np.array(trimesh.creation.cylinder(10.0, 4.0, sections=sides).triangles)
    assert layer_profile(prism, 1.0).corners == pytest.approx([sides * each] * 4, abs=2e-3)


def test_memory_stays_bounded_where_many_planes_cut_long_triangles():
    mast = np.array(trimesh.creation.cylinder(5.0, 2000.0, sections=500).triangles)
    tracemalloc.start()
    profile = layer_profile(mast, 0.1)  # 20,000 layers x 1,000 pieces: 20 million, 160 MB for each number kept of them
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 40e6
    assert len(profile.z_mm) == 20_000
    assert profile.area_mm2 == pytest.approx(np.full(20_000, 250 * 25 * np.sin(2 * np.pi / 500)), rel=1e-9)
    assert profile.contours.tolist() == [1] * 20_000
