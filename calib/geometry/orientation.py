"""A part -> the poses it could be built in, and the best of them for a process."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from calib.geometry.mesh import Mesh, bounds_mm
from calib.geometry.supports import Supports, find_supports
from calib.geometry.topology import vertex_ids

FACES_FOR_SEARCH = 6_000
LINES_FOR_SEARCH = 1_600
POSES = 24
DIRECTIONS = 1_000


@dataclass(frozen=True, eq=False)
class Pose:
    """One way to lay a part: ``rotation`` (3 x 3, of columns) and the size it then has, x, y, z [mm]."""

    rotation: np.ndarray
    size_mm: np.ndarray
    mesh: Mesh

    def triangles(self) -> np.ndarray:
        """The part's triangles in this pose, its lowest corner of x, y and z at 0; shape (n, 3, 3) [mm]."""
        turned = self.mesh.triangles @ self.rotation.T
        return turned - bounds_mm(turned)[0]


Cost = Callable[[np.ndarray, Supports], float]


def pose_minutes(process: str) -> Cost:
    """Minutes that a pose costs, beside what every pose costs: layers, supports; for powder the room in the cake.

    Common practice, no source: orders of size that rank poses, no estimate of a build. Extrusion: 0.2 mm layers of 3 s
    overhead, supports at 8 mm3/s filled to a fifth, half a minute of a person for each cm2 of contact. Resin: 0.05 mm
    layers of 8 s, contact likewise. Powder: 0.1 mm layers of 15 s shared by what else lies in the cake, so height
    counts less than the box.
    """

    def extruded(size_mm: np.ndarray, held: Supports) -> float:
        return size_mm[2] / 0.2 * 3 / 60 + held.volume_cm3 * 1000 * 0.2 / 8 / 60 + 0.5 * held.contact_cm2

    def cured(size_mm: np.ndarray, held: Supports) -> float:
        return size_mm[2] / 0.05 * 8 / 60 + 0.5 * held.contact_cm2

    def sintered(size_mm: np.ndarray, held: Supports) -> float:
        return 0.2 * size_mm[2] / 0.1 * 15 / 60 + np.prod(size_mm) / 1000 * 0.05

    return {"MEX": extruded, "VPP": cured, "PBF": sintered}[process]


def find_poses(mesh: Mesh, count: int = POSES) -> list[Pose]:
    """Up to ``count`` poses: as it lies, on its principal axes, and on the facets of its hull, largest first.

    Each is turned about the upright so that its box over the plate is the smallest.
    """
    points, hull_faces = _hull(mesh.triangles)
    downs = np.concatenate([[[0.0, 0.0, -1.0]], _axes(points), _resting(hull_faces)])
    poses = [Pose(np.eye(3), mesh.size_mm, mesh)]
    for down in _distinct(downs, count):
        turned = _turn_down(down)
        rotation = _smallest_box(points @ turned.T) @ turned
        size = np.ptp(points @ rotation.T, axis=0)
        poses.append(Pose(rotation, size, mesh))
    return poses[:count]


def best_pose(
    mesh: Mesh, process: str, build_mm: tuple[float, float, float], overhang_deg: float, cost: Cost | None = None
) -> Pose | None:
    """The pose that fits the build and costs least for the process; None where no pose fits.

    cost : function of the size [mm] and the supports of a pose -> minutes; ``pose_minutes`` of the process if None
    """
    cost = cost or pose_minutes(process)
    fitting = [pose for pose in (_fitted(pose, build_mm) for pose in _poses(mesh)) if pose is not None]
    rough = _rough(mesh) if process != "PBF" else mesh.triangles[:0]
    ranked = sorted(fitting, key=lambda pose: cost(pose.size_mm, _rough_supports(rough, pose, overhang_deg)))
    exact = (_fitted(Pose(p.rotation, np.ptp(bounds_mm(p.triangles()), axis=0), mesh), build_mm) for p in ranked)
    return next((pose for pose in exact if pose is not None), None)


@lru_cache(maxsize=4)
def _poses(mesh: Mesh) -> list[Pose]:
    """The same for every process and machine that is asked about."""
    return find_poses(mesh)


@lru_cache(maxsize=4)
def _rough(mesh: Mesh) -> np.ndarray:
    return simplified(mesh.triangles, FACES_FOR_SEARCH)


def _rough_supports(rough: np.ndarray, pose: Pose, overhang_deg: float) -> Supports:
    if len(rough) == 0:
        return Supports(0.0, 0.0, 0.0, 0.0)
    return find_supports(rough @ pose.rotation.T, overhang_deg, LINES_FOR_SEARCH)


def _fitted(pose: Pose, build_mm: tuple[float, float, float]) -> Pose | None:
    """The pose, or the pose a quarter turn round, where it fits the build."""
    room = np.asarray(build_mm) + 1e-9
    if (pose.size_mm <= room).all():
        return pose
    if (pose.size_mm[[1, 0, 2]] <= room).all():
        quarter = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
        return Pose(quarter @ pose.rotation, pose.size_mm[[1, 0, 2]], pose.mesh)
    return None


def simplified(triangles: np.ndarray, faces: int) -> np.ndarray:
    """About ``faces`` triangles of the same shape, still closed: corners of one cell of a grid become one."""
    if len(triangles) <= faces:
        return triangles
    points = triangles.reshape(-1, 3)
    low, size = points.min(axis=0), np.ptp(points, axis=0).max()
    cells = int(np.sqrt(faces / 8)) + 1  # a surface meets some 2 cells^2 to 4 cells^2 cells
    at = np.minimum(((points - low) / size * cells).astype(np.int64), cells - 1)
    number = (at[:, 0] * cells + at[:, 1]) * cells + at[:, 2]
    _, inverse, counts = np.unique(number, return_inverse=True, return_counts=True)
    middle = np.stack([np.bincount(inverse, points[:, i]) / counts for i in range(3)], axis=1)
    corners = inverse.reshape(-1, 3)
    a, b, c = corners.T
    return middle[corners[(a != b) & (b != c) & (c != a)]]


def _hull(triangles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Corners of the convex hull, shape (m, 3), and its facets, shape (k, 3, 3); of a fine mesh about 1000 corners."""
    from scipy.spatial import ConvexHull, QhullError

    points = _outermost(triangles.reshape(-1, 3))
    try:
        hull = ConvexHull(points)
    except QhullError:
        return points, triangles[:0]
    return points[hull.vertices], points[hull.simplices]


def _outermost(points: np.ndarray) -> np.ndarray:
    """Of many points those that reach farthest in one of some 1000 directions spread over the sphere."""
    if len(points) <= 5_000:
        return np.unique(points, axis=0)
    turn = np.arange(DIRECTIONS) * np.pi * (3 - np.sqrt(5))
    up = 1 - (2 * np.arange(DIRECTIONS) + 1) / DIRECTIONS
    round_mm = np.sqrt(1 - up**2)
    directions = np.stack([round_mm * np.cos(turn), round_mm * np.sin(turn), up], axis=1)
    axes = np.concatenate([np.eye(3), -np.eye(3)])
    points = points[np.unique(_one_each(points))]
    return points[np.unique([int(np.argmax(points @ way)) for way in np.concatenate([axes, directions])])]


def _one_each(points: np.ndarray) -> np.ndarray:
    """Numbers of points, one of each that are equal."""
    return np.unique(vertex_ids(points[: len(points) // 3 * 3].reshape(-1, 3, 3)).reshape(-1), return_index=True)[1]


def _resting(facets: np.ndarray) -> np.ndarray:
    """Outward normals of hull facets, those in one plane together, the largest first; shape (k, 3)."""
    if len(facets) == 0:
        return np.zeros((0, 3))
    normal = np.cross(facets[:, 1] - facets[:, 0], facets[:, 2] - facets[:, 0])
    outwards = np.einsum("ij,ij->i", normal, facets[:, 0] - facets.reshape(-1, 3).mean(axis=0))
    normal *= np.sign(outwards)[:, None]
    area = np.linalg.norm(normal, axis=1)
    normal = normal[area > 0] / area[area > 0, None]
    _, group = np.unique(np.round(normal, 2), axis=0, return_inverse=True)
    whole = np.bincount(group, area[area > 0])
    first = np.unique(group, return_index=True)[1]
    return normal[first[np.argsort(-whole, kind="stable")]]


def _axes(points: np.ndarray) -> np.ndarray:
    """Principal axes of the hull's corners, both ways; shape (6, 3)."""
    axes = np.linalg.eigh(np.cov((points - points.mean(axis=0)).T))[1].T
    return np.concatenate([axes, -axes])


def _distinct(directions: np.ndarray, most: int) -> np.ndarray:
    """The first ``most`` directions without those within some 2 degrees of an earlier one."""
    kept = np.zeros((0, 3))
    for direction in directions:
        if len(kept) == most:
            break
        if not (kept @ direction > 0.9994).any():
            kept = np.vstack([kept, direction])
    return kept


def _turn_down(down: np.ndarray) -> np.ndarray:
    """A rotation that turns a unit vector to (0, 0, -1)."""
    target = np.array([0.0, 0.0, -1.0])
    axis, cosine = np.cross(down, target), float(down @ target)
    if cosine < -1 + 1e-12:
        return np.diag([1.0, -1.0, -1.0])
    skew = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    return np.eye(3) + skew + skew @ skew / (1 + cosine)


def _smallest_box(points: np.ndarray) -> np.ndarray:
    """The turn about the upright, in whole degrees up to 90, with the smallest box over the plate; longer along x."""
    angles = np.deg2rad(np.arange(0, 90))
    along = np.outer(np.cos(angles), points[:, 0]) - np.outer(np.sin(angles), points[:, 1])
    across = np.outer(np.sin(angles), points[:, 0]) + np.outer(np.cos(angles), points[:, 1])
    length, width = np.ptp(along, axis=1), np.ptp(across, axis=1)
    best = int(np.argmin(np.round(length * width, 9)))
    angle = angles[best] + (np.pi / 2 if width[best] > length[best] else 0.0)
    cosine, sine = np.cos(angle), np.sin(angle)
    return np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
