"""A part -> the poses it could be built in."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from calib.geometry.hull import hull_of
from calib.geometry.mesh import DOWN, Mesh
from calib.geometry.pose import Pose

POSES = 24


@lru_cache(maxsize=4)
def find_poses(mesh: Mesh, count: int = POSES) -> tuple[Pose, ...]:
    """Up to ``count`` poses: as it lies, on its principal axes, and on the facets of its hull, largest first.

    Each is turned about the upright so that its box over the plate is the smallest. Sizes are those of the hull's
    corners. Remembered: the poses are the same for every process and machine. Where ``mesh.down`` fixes the side, only
    poses on that side.
    """
    if mesh.down:
        return _on_side(mesh)
    points, hull_faces = hull_of(mesh)
    downs = np.concatenate([[[0.0, 0.0, -1.0]], _axes(points), _resting(hull_faces)])
    poses = [Pose(np.eye(3), mesh.size_mm, mesh)]
    for down in _distinct(downs, count):
        turned = _turn_down(down)
        rotation = _smallest_box(points @ turned.T) @ turned
        poses.append(Pose(rotation, np.ptp(points @ rotation.T, axis=0), mesh))
    return tuple(poses[:count])


def _on_side(mesh: Mesh) -> tuple[Pose, ...]:
    down = np.array(DOWN[mesh.down], float)
    points, _ = hull_of(mesh)
    turned = _turn_down(down)
    rotations = [turned, _smallest_box(points @ turned.T) @ turned]
    return tuple(Pose(rotation, np.ptp(points @ rotation.T, axis=0), mesh) for rotation in rotations)


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
