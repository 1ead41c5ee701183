"""The pose belongs to the solid: turning the file, or cutting its faces into more triangles, changes nothing."""

import numpy as np
import pytest
import trimesh
from cheapest_pose import cheapest_pose
from solids_for_tests import as_library_mesh, box, united

from calib.geometry.orientation import candidates
from calib.geometry.poses import centre_mm, find_poses, second_moments
from calib.geometry.standing import undersides

PROCESSES = ("MEX", "VPP", "PBF")
ROOM = (300.0, 300.0, 300.0)


def turned(triangles, *angles_deg):
    return np.asarray(triangles) @ trimesh.transformations.euler_matrix(*np.deg2rad(angles_deg))[:3, :3].T


def bar(radius, length, along, at=(0, 0, 0), sections=24):
    solid = trimesh.creation.cylinder(radius, length, sections=sections)
    solid.apply_transform(trimesh.geometry.align_vectors([0, 0, 1], along))
    return np.array(solid.triangles) + np.asarray(at, float)


def cover():
    """A lid with a few ribs: its principal axis lies some degrees off the face on which it rests."""
    shell = trimesh.boolean.difference(
        [as_library_mesh(box(120, 80, 15)), as_library_mesh(box(114, 74, 12, (3, 3, 3)))], engine="manifold"
    )
    return united(np.array(shell.triangles), box(4, 70, 9, (60, 5, 3)), box(20, 10, 9, (90, 3, 3)))


def lever():
    return united(box(120, 14, 8), bar(14, 8, (0, 0, 1), (0, 7, 4)), box(8, 14, 30, (112, 0, 0)))


def cross():
    return united(*(bar(5, 100, axis) for axis in np.eye(3)))


def frame():
    return united(
        *(bar(4, 80, (1, 0, 0), (0, y, 0)) for y in (-30, 30)), *(bar(4, 68, (0, 1, 0), (x, 0, 0)) for x in (-36, 36))
    )


def lattice():
    steps = (-20, 0, 20)
    return united(
        *(bar(2, 60, np.eye(3)[k], np.insert([a, b], k, 0), 12) for k in range(3) for a in steps for b in steps)
    )


def elbow():
    bend = [(20 - 20 * np.cos(a), 0, 30 + 20 * np.sin(a)) for a in np.linspace(0.1, np.pi / 2, 12)]
    round_ = [(np.cos(a), np.sin(a)) for a in np.linspace(0, 2 * np.pi, 24, endpoint=False)]
    import shapely

    pipe = shapely.Polygon(10 * np.array(round_), [7 * np.array(round_)])
    path = np.array([(0, 0, 0), (0, 0, 30), *bend, (50, 0, 50)])
    return np.array(trimesh.creation.sweep_polygon(pipe, path).triangles)


PARTS = {one.__name__: one for one in (cover, lever, cross, frame, lattice, elbow)}


def finer(triangles, kind):
    """The same solid in more triangles, or in another order."""
    rng = np.random.default_rng(kind)
    solid = as_library_mesh(triangles)
    if kind == 0:
        return triangles[rng.permutation(len(triangles))]
    if kind == 1:
        return np.roll(triangles, 1, axis=1)[::-1]
    if kind in (2, 3):
        return np.array((solid.subdivide() if kind == 2 else solid.subdivide().subdivide()).triangles)
    if kind in (4, 5):
        return np.array(solid.subdivide_to_size((12.0, 6.0)[kind - 4], max_iter=20).triangles)
    for _ in range(kind - 5):  # some triangles cut at a point inside
        cut = rng.random(len(triangles)) < 0.4
        point = np.einsum("ij,ijk->ik", rng.dirichlet([2, 2, 2], int(cut.sum())), triangles[cut])
        corners = triangles[cut]
        fans = [np.stack([corners[:, i], corners[:, (i + 1) % 3], point], axis=1) for i in range(3)]
        triangles = np.concatenate([triangles[~cut], *fans])
    return triangles


def judged(mesh):
    """What a quote takes from the pose of each process: its height, its box, its supports."""
    found = []
    for process in PROCESSES:
        pose = cheapest_pose(mesh, process, ROOM)
        held = pose.supports(45) if process != "PBF" else None
        found += [pose.size_mm[2], np.prod(pose.size_mm) ** (1 / 3), held.volume_cm3 + 1 if held else 1.0]
    return found


def angles(count):
    return np.random.default_rng(7).uniform(0, 360, (count, 3))


@pytest.mark.parametrize("part", ["cover", "lever"])
def test_the_pose_moves_neither_with_the_file_nor_with_its_triangles(mesh_of, part):
    solid = PARTS[part]()
    usual = judged(mesh_of(solid))
    for kind, way in zip((1, 2, 6), angles(3), strict=True):
        assert judged(mesh_of(turned(finer(solid, kind), *way))) == pytest.approx(usual, rel=0.03)


@pytest.mark.slow
@pytest.mark.parametrize(("part", "turns", "kinds"), [("cover", 18, 12), ("lever", 18, 12), ("elbow", 4, 3)])
def test_turns_and_tessellations_give_one_pose(mesh_of, part, turns, kinds):
    solid = PARTS[part]()
    usual = judged(mesh_of(solid))
    tried = [turned(solid, *way) for way in angles(turns)]
    tried += [turned(finer(solid, kind % 9), *way) for kind, way in zip(range(kinds), angles(kinds), strict=True)]
    off = [one for one in tried if judged(mesh_of(one)) != pytest.approx(usual, rel=0.03)]
    assert not off, f"{len(off)} of {len(tried)}"


@pytest.mark.parametrize("part", list(PARTS))
def test_what_is_extruded_stands(mesh_of, part):
    mesh = mesh_of(turned(PARTS[part](), 20, 30, 40))
    found = candidates(mesh, "MEX", ROOM, 45)
    assert found
    assert not any(one.rafted for one in found)
    under = undersides(mesh, [one.pose for one in found], 45, mesh.triangles)
    assert all(one.balanced and one.base_mm2 > 0 for one in under)
    pose = cheapest_pose(mesh, "MEX", ROOM)
    layer = pose.profile(0.2)
    assert 2 * layer.area_mm2[0] > 0.4 * layer.perimeter_mm[0] > 0


def test_a_point_and_an_edge_are_nothing_to_stand_on_and_a_leaning_tower_tips(mesh_of):
    # a spindle stands on no side, so a raft carries it
    spindle = trimesh.creation.revolve([(0, 0), (8, 30), (0, 60)], sections=90)
    stood = mesh_of(np.array(spindle.triangles))
    poses = find_poses(stood)
    points = [pose for pose in poses if pose.size_mm[2] > 59]
    assert points and all(one.base_mm2 == 0 for one in undersides(stood, points, 45, stood.triangles))
    # a tower on a foot of 20 x 20 that leans 30 mm over 50 mm of height, steeper than 45 degrees: no support, no balance
    foot, top = [(0, 0), (20, 0), (20, 20), (0, 20)], [(30, 0), (50, 0), (50, 20), (30, 20)]
    tower = trimesh.Trimesh([(*p, 0) for p in foot] + [(*p, 50) for p in top]).convex_hull
    mesh = mesh_of(np.array(tower.triangles))
    upright = [pose for pose in find_poses(mesh) if pose.size_mm[2] == pytest.approx(50)]
    assert upright and not any(one.balanced for one in undersides(mesh, upright, 45, mesh.triangles))


def test_centre_and_moments_of_a_box_are_exact():
    solid = turned(box(10, 20, 30), 10, 20, 30) + 5.0
    assert centre_mm(solid) == pytest.approx(turned([[5, 10, 15]], 10, 20, 30)[0] + 5.0)
    moments = np.linalg.eigvalsh(second_moments(solid))
    assert moments == pytest.approx(6000 * np.array([100, 400, 900]) / 12)
