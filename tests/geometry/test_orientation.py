import subprocess
import sys

import numpy as np
import pytest
from cheapest_pose import cheapest_pose
from solids_for_tests import as_library_mesh, box, crumpled, stl_bytes, united

from calib.errors import MeshError
from calib.geometry.orientation import simplified
from calib.geometry.poses import find_poses
from calib.geometry.read_mesh import read_part
from calib.geometry.topology import twin_half_edges, vertex_ids


def test_poses_are_rotations_that_stand_on_the_plate(mesh_of):
    mesh = mesh_of(crumpled(3))
    poses = find_poses(mesh, 40)
    assert 30 <= len(poses) <= 40
    for pose in poses:
        assert pose.rotation @ pose.rotation.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(pose.rotation) == pytest.approx(1.0)
        assert pose.triangles().reshape(-1, 3).min(axis=0) == pytest.approx([0, 0, 0], abs=1e-12)
        assert pose.size_mm == pytest.approx(np.ptp(pose.triangles().reshape(-1, 3), axis=0), rel=1e-9)


@pytest.mark.parametrize("process", ["MEX", "VPP", "PBF"])
def test_an_upright_plate_is_laid_flat(mesh_of, process):
    assert cheapest_pose(mesh_of(box(5, 40, 60)), process, (100, 100, 100)).size_mm[2] == pytest.approx(5.0)


def test_an_upside_down_table_is_not_built_on_supports(mesh_of):
    legs = [box(3, 3, 20, (x, y, -20)) for x in (0, 27) for y in (0, 27)]
    pose = cheapest_pose(mesh_of(united(box(30, 30, 3), *legs)), "MEX", (100, 100, 100))
    lowest = pose.triangles()[np.ptp(pose.triangles()[:, :, 2], axis=1) < 1e-9]
    assert pose.size_mm[2] == pytest.approx(23.0)
    assert (lowest[:, :, 2].min(axis=1) < 1e-6).sum() == 2  # it lies on its top, two triangles, legs up


def test_a_long_part_is_turned_to_fit_and_one_too_long_fits_nowhere(mesh_of):
    assert cheapest_pose(mesh_of(box(10, 10, 120)), "MEX", (50, 130, 50)).size_mm == pytest.approx([10, 120, 10])
    assert cheapest_pose(mesh_of(box(10, 10, 300)), "MEX", (100, 100, 100)) is None


def test_the_simplified_part_stays_closed_and_keeps_its_volume():
    rough = simplified(crumpled(5), 2000)
    assert len(rough) < 6000
    assert (twin_half_edges(vertex_ids(rough)) >= 0).all()
    assert as_library_mesh(rough).volume == pytest.approx(as_library_mesh(crumpled(5)).volume, rel=0.02)


@pytest.mark.parametrize(("down", "size"), [("z-", [5, 40, 60]), ("x+", [60, 40, 5]), ("y-", [60, 5, 40])])
def test_a_fixed_side_stays_down(tmp_path, down, size):
    (tmp_path / "part.stl").write_bytes(stl_bytes(box(5, 40, 60)))
    mesh = read_part(tmp_path / "part.stl", None, (100, 100, 100), down)
    pose = cheapest_pose(mesh, "MEX", (100, 100, 100))
    assert sorted(pose.size_mm[:2]) == pytest.approx(sorted(size[:2]))
    assert pose.size_mm[2] == pytest.approx(size[2])
    assert pose.words() == ("as it lies in the file" if down == "z-" else f"on the file's {down} side")
    assert cheapest_pose(mesh, "MEX", (50, 50, 4)) is None


def test_a_side_that_is_none_is_named(tmp_path):
    (tmp_path / "part.stl").write_bytes(stl_bytes(box(5, 40, 60)))
    with pytest.raises(MeshError, match='"up" is not a side of a part'):
        read_part(tmp_path / "part.stl", None, (100, 100, 100), "up")


def test_machines_that_build_alike_share_one_profile_and_supports(mesh_of):
    mesh = mesh_of(crumpled(3))
    one, other = (cheapest_pose(mesh, "MEX", room) for room in ((200, 200, 200), (300, 300, 300)))
    assert one.profile(0.2) is other.profile(0.2)
    assert one.supports(45.0) is other.supports(45.0)
    assert one.profile(0.2) is not one.profile(0.3)


def test_a_part_is_posed_without_the_libraries_that_start_slowly(tmp_path):
    (tmp_path / "part.stl").write_bytes(stl_bytes(crumpled(3)))
    lines = [
        "import sys",
        "from calib.geometry.orientation import candidates",
        "from calib.geometry.read_mesh import read_mesh",
        f"pose = candidates(read_mesh({str(tmp_path / 'part.stl')!r}), 'MEX', (200, 200, 200), 45.0)[0].pose",
        "pose.profile(0.2), pose.supports(45.0)",
        "assert not {'scipy', 'trimesh', 'pandas'} & set(sys.modules)",
    ]
    subprocess.run([sys.executable, "-c", "\n".join(lines)], check=True)
