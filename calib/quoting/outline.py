"""The part as lines in three views, for a sheet of paper: silhouette and sharp edges, seen from three sides."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.geometry.mesh import Mesh

VIEWS = (("front", 0, 2, 1), ("side", 1, 2, 0), ("top", 0, 1, 2))  # name, axis to the right, axis up, axis of sight
SHARP_DEG = 30.0
MOST_LINES = 1500  # a view; the longest are kept


def three_views(mesh: Mesh) -> dict[str, Any]:
    """Lines of each view with its two extents.

    Returns size_mm (3,) and views: name, width_mm, height_mm, lines (x1, y1, x2, y2) from the lower left [mm]. Hidden
    lines are drawn like the others. A line is an edge that is sharp (30 degrees or more), open, or where the surface
    turns from facing the viewer to facing away.
    """
    triangles, mates = mesh.triangles, mesh.mates
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
    half = np.flatnonzero((mates < 0) | (np.arange(len(mates)) < mates))
    face, other = half // 3, np.where(mates[half] >= 0, mates[half] // 3, half // 3)
    start = triangles[face, half % 3]
    end = triangles[face, (half + 1) % 3]
    sharp = np.einsum("ij,ij->i", normals[face], normals[other]) < np.cos(np.radians(SHARP_DEG))
    sharp |= mates[half] < 0
    low, high = mesh.bounds_mm
    views = []
    for name, right, up, sight in VIEWS:
        turned = (normals[face, sight] > 1e-9) != (normals[other, sight] > 1e-9)
        lines = _longest(start[sharp | turned], end[sharp | turned], right, up) - np.tile(low[[right, up]], 2)
        size = high - low
        views.append(
            {
                "name": name,
                "width_mm": round(float(size[right]), 2),
                "height_mm": round(float(size[up]), 2),
                "lines": np.round(lines, 2).tolist(),
            }
        )
    return {"size_mm": [round(float(side), 2) for side in high - low], "views": views}


def _longest(start: np.ndarray, end: np.ndarray, right: int, up: int) -> np.ndarray:
    lines = np.column_stack([start[:, right], start[:, up], end[:, right], end[:, up]])
    length = np.hypot(lines[:, 2] - lines[:, 0], lines[:, 3] - lines[:, 1])
    kept = np.argsort(-length, kind="stable")[:MOST_LINES]
    return np.asarray(lines[kept][length[kept] > 1e-6])
