"""Hollows without an opening are found exactly, and said where resin or powder stays in them."""

import numpy as np
import pytest
import trimesh
from solids_for_tests import as_library_mesh, ball, box, stl_bytes

from calib.geometry.hollows import sealed_cavities_mm3
from calib.geometry.read_mesh import read_mesh
from calib.quoting.notes import sealed_hollows


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
    for process, stays in (("VPP", "resin stays"), ("PBF", "powder stays"), ("MEX", "supports inside it stay")):
        said = sealed_hollows("part.stl", mesh, process)
        assert len(said) == bool(hollows)
        assert all(stays in one for one in said)
