"""Convex hull and union of solids, through a boolean-geometry kernel that starts in milliseconds."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from calib.geometry.mesh import Mesh, normals_mm2
from calib.geometry.topology import vertex_ids

MOST_POINTS = 60_000  # of more, those are taken that reach farthest in some direction
DIRECTIONS = 1_000
FLAT = 1e-8  # a corner whose faces' mean normal is shorter than 1 by less lies inside a flat face


@lru_cache(maxsize=4)
def hull_of(mesh: Mesh) -> tuple[np.ndarray, np.ndarray]:
    """Corners of the convex hull, shape (m, 3), and its facets, shape (k, 3, 3) [mm]; of a fine curved mesh about 1000.

    No facets where all corners lie in one plane. The same for a mesh whose flat faces are cut into more triangles.
    """
    from manifold3d import Manifold

    points = _outermost(_corners(mesh))
    hull = Manifold.hull_points(points)
    if hull.is_empty():
        return points, np.zeros((0, 3, 3))
    mesh_of_hull = hull.to_mesh64()
    corners = np.asarray(mesh_of_hull.vert_properties)[:, :3]
    return corners, corners[np.asarray(mesh_of_hull.tri_verts).astype(np.int64)]


def flat_hull(points: np.ndarray) -> np.ndarray:
    """Corners of the convex hull of points in a plane, in order; shape (k, 2). The points where they lie on a line."""
    from manifold3d import CrossSection

    loops = CrossSection.hull_points(points).to_polygons()
    return np.asarray(loops[0], float) if loops else points


def vertices_mm(mesh: Mesh) -> np.ndarray:
    """Every vertex once, shape (m, 3) [mm]."""
    numbers = mesh.topology.faces.reshape(-1)
    points = np.empty((int(numbers.max(initial=-1)) + 1, 3))
    points[numbers] = mesh.triangles.reshape(-1, 3)
    return points


def _corners(mesh: Mesh) -> np.ndarray:
    """Vertices but those inside a flat face, which are no corners of the hull; shape (m, 3)."""
    points, numbers = vertices_mm(mesh), mesh.topology.faces.reshape(-1)
    normals = normals_mm2(mesh.triangles)
    normals /= np.maximum(np.sqrt((normals**2).sum(axis=0)), 1e-300)
    sums = np.array([np.bincount(numbers, np.repeat(component, 3)) for component in normals])
    bent = np.sqrt((sums**2).sum(axis=0)) < (1 - FLAT) * np.bincount(numbers)
    return points[bent] if bent.sum() > 3 else points


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
    farthest = np.concatenate([(some @ across).argmax(axis=1) for some in np.split(ways, range(16, 1006, 16))])
    outermost: np.ndarray = points[np.unique(farthest)]
    return outermost


def united(triangles: np.ndarray) -> np.ndarray | None:
    """The surface of all space that is enclosed at least once, shape (m, 3, 3) [mm]; None where the kernel cannot say.

    triangles : shape (n, 3, 3), closed and turned outwards [mm]
    """
    try:
        from manifold3d import Manifold, Mesh64, OpType
    except ImportError:
        return None
    ids = vertex_ids(triangles)
    _, first = np.unique(ids.reshape(-1), return_index=True)
    solid = Manifold(Mesh64(triangles.reshape(-1, 3)[first], ids.astype(np.uint64)))
    if solid.is_empty():
        return None
    pieces = solid.decompose()
    whole = Manifold.batch_boolean(pieces, OpType.Add) if len(pieces) > 1 else solid
    mesh = whole.to_mesh64()
    return np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts).astype(np.int64)]
