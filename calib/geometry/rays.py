"""Parallel rays through a solid, on a grid: at which heights each enters and leaves it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.mesh import bounds_mm
from calib.geometry.sweep import Cuts, planes_under, sweep

# Rays stand off the middle of their cells by odd shares, so that they miss the edges of parts drawn on round numbers.
OFF = (0.4837, 0.5191)


@dataclass(frozen=True, eq=False)
class Rays:
    """Crossings of the rays with the surface, ordered by ray, then by height.

    ray : shape (m,), number of the ray: row * columns + column
    z : shape (m,), height [mm]
    face : shape (m,), triangle that is crossed
    upward : shape (m,), the surface faces up: the ray leaves the solid there
    shape : rows, columns of the grid
    cell_mm2 : area that each ray stands for [mm2]
    cell_mm : its sides [mm]
    """

    ray: np.ndarray
    z: np.ndarray
    face: np.ndarray
    upward: np.ndarray
    shape: tuple[int, int]
    cell_mm2: float
    cell_mm: tuple[float, float]

    def depth(self) -> np.ndarray:
        """How many solids lie over each other just above each crossing (winding number), shape (m,)."""
        step = np.where(self.upward, -1, 1)
        total = np.cumsum(step)
        first = np.flatnonzero(np.diff(self.ray, prepend=-1))
        before = (total - step)[first]
        lengths = np.diff(np.append(first, len(step)))
        depth: np.ndarray = total - np.repeat(before, lengths)
        return depth

    def gap_above(self) -> np.ndarray:
        """Height from each crossing to the next one of its ray; 0 for the last, shape (m,) [mm]."""
        gap = np.diff(self.z, append=0.0)
        gap[np.diff(self.ray, append=-1) != 0] = 0.0
        return gap


def vertical_rays(triangles: np.ndarray, count: int) -> Rays:
    """About ``count`` vertical rays through the bounding box of a solid, in nearly square cells.

    triangles : shape (n, 3, 3) [mm]

    The surface is cut by planes across y, then the pieces by planes across x; rays whose crossings do not add up to
    nothing (an open surface) are left out.
    """
    low, high = bounds_mm(triangles)
    (rows, across), (dy, dx) = _grid(high - low, count)
    first = (low[0] + OFF[0] * dx, low[1] + OFF[1] * dy)
    return rays_along(triangles, 2, first, (dx, dy), (rows, across))


def rays_along(
    triangles: np.ndarray, axis: int, first: Sequence[float], step: tuple[float, float], shape: tuple[int, int]
) -> Rays:
    """Rays along an axis, whose own x and y are the next two axes in turn.

    triangles : shape (n, 3, 3) [mm]
    first, step : x and y of the first ray, and to the next [mm]; shape : rows along y, and columns [-]
    """
    (dx, dy), (rows, across) = step, shape
    none = np.zeros(0)
    pierced = [(none.astype(np.int64), none, none.astype(np.int64), none.astype(bool))]
    pierced += [
        _pierced(cut, first[0], dx, across) for cut in sweep(triangles, first[1], dy, rows, axis=(axis + 2) % 3)
    ]
    ray, z, face, upward = (np.concatenate(piece) for piece in zip(*pierced, strict=True))
    order = np.lexsort((z, ray))
    ray, z, face, upward = ray[order], z[order], face[order], upward[order]
    balance = np.bincount(ray, np.where(upward, -1.0, 1.0), rows * across)
    good = balance[ray] == 0
    return Rays(ray[good], z[good], face[good], upward[good], (rows, across), dx * dy, (dx, dy))


def _grid(size: np.ndarray, rays: int) -> tuple[tuple[int, int], tuple[float, float]]:
    x, y = max(size[0], 1e-9), max(size[1], 1e-9)
    side = np.sqrt(x * y / rays)
    across, rows = (int(np.clip(np.ceil(length / side), 1, rays)) for length in (x, y))
    return (rows, across), (y / rows, x / across)


def _pierced(cut: Cuts, first: float, step: float, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Where rays at first, first + step, ... along x pierce pieces that lie in planes across y (coordinates z, x)."""
    (z1, z2), (x1, x2) = cut.ends(0), cut.ends(1)
    before, after = planes_under(x1, first, step, count), planes_under(x2, first, step, count)
    hit = np.flatnonzero(before != after)
    counts = np.abs(before - after)[hit]
    column = np.arange(counts.sum()) + np.repeat(np.minimum(before, after)[hit] - np.cumsum(counts) + counts, counts)
    piece = np.repeat(hit, counts)
    share = np.clip((first + step * column - x1[piece]) / (x2 - x1)[piece], 0.0, 1.0)
    z = z1[piece] + share * (z2 - z1)[piece]
    face = cut.each(cut.face)[piece]
    return cut.plane[piece] * count + column, z, face, (x2 > x1)[piece]
