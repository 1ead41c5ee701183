"""The convex hull of a part, through a boolean-geometry kernel that starts in milliseconds."""

from __future__ import annotations

import numpy as np

from calib.geometry.mesh import Mesh

MOST_POINTS = 5_000  # of more, those are taken that reach farthest in some direction
DIRECTIONS = 1_000


def hull_of(mesh: Mesh) -> tuple[np.ndarray, np.ndarray]:
    """Corners of the convex hull, shape (m, 3), and its facets, shape (k, 3, 3) [mm]; of a fine mesh about 1000 corners.

    No facets where all corners lie in one plane.
    """
    from manifold3d import Manifold

    points = _outermost(_vertices(mesh))
    hull = Manifold.hull_points(points)
    if hull.is_empty():
        return points, np.zeros((0, 3, 3))
    found = hull.to_mesh64()
    corners = np.asarray(found.vert_properties)[:, :3]
    return corners, corners[np.asarray(found.tri_verts).astype(np.int64)]


def _vertices(mesh: Mesh) -> np.ndarray:
    numbers = mesh.topology.faces.reshape(-1)
    points = np.empty((int(numbers.max(initial=-1)) + 1, 3))
    points[numbers] = mesh.triangles.reshape(-1, 3)
    return points


def _outermost(points: np.ndarray) -> np.ndarray:
    """Of many points those that reach farthest in one of some 1000 directions spread over the sphere."""
    if len(points) <= MOST_POINTS:
        return points
    turn = np.arange(DIRECTIONS) * np.pi * (3 - np.sqrt(5))
    up = 1 - (2 * np.arange(DIRECTIONS) + 1) / DIRECTIONS
    round_mm = np.sqrt(1 - up**2)
    directions = np.stack([round_mm * np.cos(turn), round_mm * np.sin(turn), up], axis=1)
    ways = np.concatenate([np.eye(3), -np.eye(3), directions])
    across = np.ascontiguousarray(points.T)
    return points[
        np.unique(np.concatenate([(some @ across).argmax(axis=1) for some in np.split(ways, range(16, 1006, 16))]))
    ]
