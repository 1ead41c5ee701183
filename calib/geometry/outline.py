"""Three views of a part as lines, for the quote's sheet."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.geometry.topology import twin_half_edges, vertex_ids

FEATURE_DEG = 25.0  # an edge that turns by more is drawn
MAX_LINES = 1500
# view -> (axis to the right, axis up, axis towards the reader, its sign); third-angle names, ISO 128 (from memory)
VIEWS = {"front": (0, 2, 1, -1.0), "side": (1, 2, 0, 1.0), "top": (0, 1, 2, 1.0)}


def outline(triangles: np.ndarray, twins: np.ndarray | None = None) -> dict[str, dict[str, Any]]:
    """Edges to draw in the front, side and top view: sharp edges, and edges between what is seen and what is not.

    triangles : shape (n, 3, 3) [mm]

    Returns for each view ``lines``: at most 1500 of [[x, y], [x, y]] from the lower left corner [mm], the longest
    ones; ``width_mm``, ``height_mm``; ``left_out``, lines beyond these. Nothing is hidden: it is a wire view.
    """
    twins = twin_half_edges(vertex_ids(triangles)) if twins is None else twins
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    edge = np.flatnonzero(twins > np.arange(len(twins)))
    first, second = normals[edge // 3], normals[twins[edge] // 3]
    sharp = np.einsum("ij,ij->i", first, second) < np.cos(np.deg2rad(FEATURE_DEG))
    ends = np.stack([triangles[edge // 3, edge % 3], triangles[edge // 3, (edge + 1) % 3]], axis=1)
    return {name: _view(triangles, ends, sharp, (first, second), axes) for name, axes in VIEWS.items()}


def _view(
    triangles: np.ndarray, ends: np.ndarray, sharp: np.ndarray, normals: tuple[np.ndarray, np.ndarray],
    axes: tuple[int, int, int, float],
) -> dict[str, Any]:  # fmt: skip
    right, up, towards, sign = axes
    first, second = (sign * normal[:, towards] > 1e-9 for normal in normals)
    lines = ends[sharp | (first != second)][:, :, [right, up]]
    flat = triangles[:, :, [right, up]].reshape(-1, 2)
    low, size = flat.min(axis=0), np.ptp(flat, axis=0)
    lines = np.round(lines - low, 2)
    lines = np.unique(np.sort(lines.view([("x", float), ("y", float)]), axis=1).view(float).reshape(-1, 4), axis=0)
    lengths = np.hypot(lines[:, 2] - lines[:, 0], lines[:, 3] - lines[:, 1])
    longest = np.argsort(-lengths, kind="stable")[:MAX_LINES]
    longest = longest[lengths[longest] > 0]
    return {
        "lines": lines[longest].reshape(-1, 2, 2).tolist(),
        "width_mm": float(size[0]),
        "height_mm": float(size[1]),
        "left_out": int((lengths > 0).sum() - len(longest)),
    }
