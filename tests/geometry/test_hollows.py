"""Hollows: sealed ones exactly, those with openings and narrow passages on a grid; what stays in them is said."""

import numpy as np
import pytest
import trimesh
from solids_for_tests import as_library_mesh, ball, box, stl_bytes

from calib.geometry.hollows import enclosed, find_hollows, held_mm3, sealed_cavities_mm3
from calib.geometry.read_mesh import read_mesh
from calib.quoting.notes import open_hollows, sealed_hollows


def without(solid, *holes):
    cut = trimesh.boolean.difference([as_library_mesh(one) for one in (solid, *holes)], engine="manifold")
    return np.array(cut.triangles)


def moved(triangles, *by):
    return triangles + np.array(by)


BLOCK = box(40, 30, 20)
ROOM = box(20, 10, 8, (5, 5, 6))
PARTS = {
    "solid": (BLOCK, []),
    "one hollow": (without(BLOCK, ROOM), [1600.0]),
    "two hollows": (without(BLOCK, ROOM, moved(ball(3, 3), 33, 15, 10)), [1600.0, 4 / 3 * np.pi * 27]),
    "a hollow with a hole": (without(BLOCK, ROOM, box(2, 2, 20, (10, 8, 10))), []),
    "a cup": (without(BLOCK, box(36, 26, 20, (2, 2, 2))), []),
    "two bodies": (np.concatenate([BLOCK, moved(BLOCK, 60, 0, 0)]), []),
    "a body in a hollow": (np.concatenate([without(BLOCK, ROOM), box(4, 4, 4, (8, 8, 8))]), [1600.0]),
}


@pytest.mark.parametrize("name", list(PARTS))
@pytest.mark.parametrize("inside_out", [False, True])
def test_sealed_hollows_are_found_whichever_way_the_file_turns_its_faces(tmp_path, name, inside_out):
    triangles, hollows = PARTS[name]
    (tmp_path / "part.stl").write_bytes(stl_bytes(triangles[:, ::-1] if inside_out else triangles))
    mesh = read_mesh(tmp_path / "part.stl")
    assert sealed_cavities_mm3(mesh) == pytest.approx(tuple(hollows), rel=0.02)
    for process, stays in (("VPP", "resin stays"), ("PBF", "powder stays"), ("MEX", "cannot be removed")):
        answer = sealed_hollows("part.stl", mesh, process)
        assert len(answer) == bool(hollows)
        assert all(stays in one for one in answer)


CASE = box(60, 50, 40)
INNER = box(56, 46, 36, (2, 2, 2))
INNER_MM3 = 56 * 46 * 36
TURN = trimesh.transformations.euler_matrix(0.3, 0.5, 0.7)[:3, :3]


def hole(width, x=30, y=25, z=0, length=10.0, along=(0, 0, 1)):
    bore = trimesh.creation.cylinder(width / 2, length, sections=64)
    bore.apply_transform(trimesh.geometry.align_vectors([0, 0, 1], along))
    return np.array(bore.triangles) + np.array([x, y, z], float)


@pytest.mark.parametrize("turn", [np.eye(3), TURN], ids=["as drawn", "turned"])
@pytest.mark.parametrize("widths", [(3.0,), (6.0,), (4.0, 6.0)])
def test_a_hollow_with_openings_is_measured_whichever_way_it_lies(mesh_of, widths, turn):
    holes = [hole(width, 15 + 30 * place) for place, width in enumerate(widths)]
    found = find_hollows(mesh_of(without(CASE, INNER, *holes) @ turn.T))
    assert found.sealed_mm3 == ()
    (room,) = found.rooms
    assert room.volume_mm3 == pytest.approx(INNER_MM3, rel=0.03)  # the box's own measure
    assert room.openings == len(widths)
    assert room.opening_mm == pytest.approx(max(widths), rel=0.02)
    assert room.opening_mm2 == pytest.approx(sum(np.pi / 4 * width**2 for width in widths), rel=0.02)


def test_what_is_wide_open_is_no_hollow_and_what_is_sealed_is_no_open_one(mesh_of):
    cup = without(CASE, box(56, 46, 60, (2, 2, 2)))
    for solid in (cup, cup @ TURN.T, without(CASE, INNER), moved(ball(25, 3), 30, 30, 30)):
        found = find_hollows(mesh_of(solid))
        assert found.rooms == ()
        assert found.narrow_mm3 == 0
    both = find_hollows(
        mesh_of(without(box(80, 50, 40), box(30, 46, 36, (2, 2, 2)), box(30, 46, 36, (40, 2, 2)), hole(4, 55)))
    )
    assert both.sealed_mm3 == pytest.approx((30 * 46 * 36,))
    assert [room.volume_mm3 for room in both.rooms] == pytest.approx([30 * 46 * 36], rel=0.06)


def test_narrow_passages_are_those_below_3_mm(mesh_of):
    def bored(width):
        return find_hollows(mesh_of(without(CASE, hole(width, 30, 25, 20, 200, (1, 0, 0))) @ TURN.T))

    # the first 3 mm at either end are reached from outside
    assert bored(2.0).narrow_mm3 == pytest.approx(np.pi * (60 - 6), rel=0.3)
    assert bored(8.0).narrow_mm3 == 0


def test_liquid_stays_below_the_opening(mesh_of):
    found = find_hollows(mesh_of(without(CASE, INNER, hole(4))))
    assert held_mm3(found, np.array([0, 0, -1])) == 0  # the hole is at the bottom
    assert held_mm3(found, np.array([0, 0, 1])) == pytest.approx(found.open_mm3, rel=0.02)
    # on its side: below the middle of the wall in which the hole is
    assert held_mm3(found, np.array([0, 1, 0])) == pytest.approx(0.5 * found.open_mm3, rel=0.12)
    row = enclosed(found, np.array([0.0, 0.0, 1.0]))
    assert (row.held_standing_cm3, row.held_hanging_cm3) == pytest.approx((0, row.hollow_cm3), abs=1)
    assert row.drain_opening_mm2 == pytest.approx(np.pi * 4 / 2, rel=0.02)  # one opening: half of it lets air in


def test_what_hardly_leaves_a_part_is_said(mesh_of, monkeypatch):
    monkeypatch.setattr("calib.geometry.hollows.CUBES", 60_000)  # words do not hang on the last per cent
    monkeypatch.setattr("calib.geometry.hollows.FINER", 1)
    small, room = 0.4 * CASE, 0.4 * INNER

    def answer(solid):
        mesh = mesh_of(solid)
        row = enclosed(find_hollows(mesh), np.array([0.0, 0.0, 1.0]))
        return [" ".join(open_hollows("case.stl", mesh, process, row)) for process in ("VPP", "PBF", "MEX")]

    too_fine = answer(without(small, room, hole(0.2, 12, 10)))
    assert "resin stays in it" in too_fine[0] and "powder stays in it" in too_fine[1] and too_fine[2] == ""
    assert "widest opening is 1.8 mm" in answer(without(small, room, hole(1.8, 8, 10), hole(1.8, 15, 10, 16)))[0]
    assert answer(without(small, room, hole(4, 8, 10), hole(4, 15, 10, 16))) == ["", "", ""]
    beside = answer(without(small, room, hole(4, 0, 10, 8, 5, (1, 0, 0))))[0]
    assert "a second lets air in" in beside and "of resin below its openings" in beside
    assert "narrower than about 3 mm" in answer(without(CASE, hole(2, 30, 25, 20, 200, (1, 0, 0))) @ TURN.T)[1]
