"""Open edges -> loops -> patches."""

from __future__ import annotations

import numpy as np

MAX_HOLES = 1000


def fill_holes(triangles: np.ndarray, faces: np.ndarray, mates: np.ndarray) -> tuple[np.ndarray, int]:
    """A patch for each loop of open edges, spread from the middle of the loop, turned as the surface around it.

    Returns triangles, shape (m, 3, 3) [mm], and the number of loops; no triangles where the open edges form no simple
    loops or more than 1000. Exact where the rim is flat and seen whole from its middle; a guess elsewhere.
    """
    half = np.flatnonzero(mates < 0)
    start = faces[half // 3, half % 3]
    end = faces[half // 3, (half + 1) % 3]
    point = dict(zip(start.tolist(), triangles[half // 3, half % 3], strict=True))
    loops = _loops(dict(zip(start.tolist(), end.tolist(), strict=True)))
    if len(point) < len(half) or loops is None or len(loops) > MAX_HOLES:
        return np.zeros((0, 3, 3)), 0
    return np.concatenate([_patch(np.array([point[vertex] for vertex in loop])) for loop in loops]), len(loops)


def _loops(following: dict[int, int]) -> list[list[int]] | None:
    loops, left = [], dict(following)
    while left:
        first, at = left.popitem()
        loop = [first]
        while at != first:
            loop.append(at)
            if at not in left:
                return None
            at = left.pop(at)
        loops.append(loop)
    return loops


def _patch(rim: np.ndarray) -> np.ndarray:
    """Triangles that close a rim, which runs along the faces beside it, so that the patch runs against it."""
    if len(rim) == 3:
        return rim[None, ::-1]
    middle = np.broadcast_to(rim.mean(axis=0), rim.shape)
    return np.stack([np.roll(rim, -1, axis=0), rim, middle], axis=1)
