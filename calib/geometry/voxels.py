"""A solid on a grid of cubes: where its surface passes, and which cubes' middles lie inside."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np

from calib.geometry.mesh import bounds_mm
from calib.geometry.rays import OFF, Rays, rays_along


@dataclass(frozen=True, eq=False)
class Voxels:
    """Cubes over the box of a solid, with empty ones on every side.

    inside : shape (nx, ny, nz), the middle lies in the solid
    closed : the same or a cube through which the surface passes: no path of empty cubes, face to face, leads through a
        wall, however thin
    gaps_mm3 : of the empty stretches that are at most ``gap_mm`` long between two walls along an axis, the greatest sum
    cell_mm : side of a cube [mm]; low_mm : shape (3,), corner of the first cube [mm]
    """

    inside: np.ndarray
    closed: np.ndarray
    gaps_mm3: float
    cell_mm: float
    low_mm: np.ndarray

    def middle_mm(self, cubes: np.ndarray) -> np.ndarray:
        """Middles of cubes by their numbers, shape (m, 3) [mm]."""
        return self.low_mm + (cubes + 0.5) * self.cell_mm


def voxels_of(triangles: np.ndarray, cubes: int, rim_mm: float, most: int, gap_mm: float) -> Voxels:
    """A solid in about so many cubes, and ``rim_mm`` of empty ones around it, at most ``most``; triangles : shape (n, 3, 3), closed [mm]."""
    low, high = bounds_mm(triangles)
    size = np.maximum(high - low, 1e-6)
    cell = max(float(np.cbrt(size.prod() / cubes)), float(size.max()) / cubes ** (1 / 2))
    shape = np.ceil(size / cell).astype(int)
    low = low - 0.5 * (shape * cell - size)
    rim = min(ceil(rim_mm / cell), most) + 2
    inside, closed = np.zeros((2, *(shape + 2 * rim)), bool)
    gaps = 0.0
    for axis in range(3):
        order = [(axis + 1) % 3, (axis + 2) % 3, axis]  # the rays' own x, y and the height along them
        first = low[order[:2]] + np.array(OFF) * cell
        rays = rays_along(triangles, axis, first, (cell, cell), (int(shape[order[1]]), int(shape[order[0]])))
        y, x = np.divmod(rays.ray, shape[order[0]])
        height = (rays.z - low[axis]) / cell
        cube = np.clip(np.floor(height).astype(int), 0, shape[axis] - 1)
        closed.transpose(order)[x + rim, y + rim, cube + rim] = True
        gap = rays.gap_above()
        gaps = max(gaps, float(gap[(gap <= gap_mm) & (rays.depth() == 0)].sum()) * cell**2)
        if axis == 2:
            inside[rim:-rim, rim:-rim, rim:-rim] = _filled(rays, height, x, y, shape)
    return Voxels(inside, closed | inside, gaps, cell, low - rim * cell)


def _filled(rays: Rays, height: np.ndarray, x: np.ndarray, y: np.ndarray, shape: np.ndarray) -> np.ndarray:
    """Middles in the solid, by the winding number along vertical rays."""
    steps = np.zeros((shape[0], shape[1], shape[2] + 1), np.int32)
    first = np.clip(np.ceil(height - 0.5).astype(int), 0, shape[2])
    np.add.at(steps, (x, y, first), np.where(rays.upward, -1, 1))
    return np.asarray(np.cumsum(steps[:, :, :-1], axis=2) > 0)


def dark(closed: np.ndarray) -> np.ndarray:
    """Empty cubes from which every way along the axes is blocked; closed and the result : shape (nx, ny, nz) of bool."""
    blocked = ~closed
    for axis in range(3):
        for way in (slice(None), slice(None, None, -1)):
            along = tuple(way if other == axis else slice(None) for other in range(3))
            blocked[along] &= np.maximum.accumulate(closed[along], axis=axis)
    return blocked
