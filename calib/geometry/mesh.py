"""What a part file holds once it was read, checked and, where that is safe, repaired."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.geometry.slices import Slices
from calib.geometry.topology import Topology

# Sides of a part, by the file's axes: z- is as it lies in the file.
DOWN = {"z-": (0, 0, -1), "z+": (0, 0, 1), "x-": (-1, 0, 0), "x+": (1, 0, 0), "y-": (0, -1, 0), "y+": (0, 1, 0)}
_ROW = 9 * 256
AT_ONCE = 16_384  # triangles: few enough that what is computed of them stays in the processor's cache


@dataclass(frozen=True, eq=False)
class Mesh:
    """One part file, as triangles turned outwards.

    triangles : shape (n, 3, 3), corners of the faces after repair [mm]
    topology : vertices and neighbours of the repaired triangles
    name, sha256 : name and digest of the file
    unit : unit of the file's numbers; ``unit_assumed`` where neither the file nor the user stated it
    bodies : closed or open surfaces that share no edge
    watertight : every edge had its second face, as found, before repair
    volume_mm3 : nan where it has no meaning (open beyond repair); overlaps counted once [mm3]
    area_mm2 : surface after repair [mm2]
    bounds_mm : shape (2, 3), lowest and highest corner, as it lies in the file [mm]
    down : side on which it has to be built, one of DOWN; '' where that is free
    slices : sections that the file carries itself, as the part lies in it
    notes : what was found and what was done about it, with the effect on volume
    """

    triangles: np.ndarray
    topology: Topology
    name: str
    sha256: str
    unit: str
    unit_assumed: bool
    bodies: int
    watertight: bool
    volume_mm3: float
    area_mm2: float
    bounds_mm: np.ndarray
    notes: tuple[str, ...] = ()
    down: str = ""
    slices: tuple[Slices, ...] = ()

    @property
    def size_mm(self) -> np.ndarray:
        """Length along x, y and z, shape (3,) [mm]."""
        size: np.ndarray = self.bounds_mm[1] - self.bounds_mm[0]
        return size

    @property
    def twins(self) -> np.ndarray:
        """``topology.twin_half_edges`` of the triangles, shape (3 n,)."""
        return self.topology.twins


def signed_volume_mm3(triangles: np.ndarray, about: np.ndarray | None = None) -> float:
    r"""Volume by the divergence theorem, negative where the faces are turned inwards.

    .. math::  V = \frac{1}{6} \sum a \cdot (b \times c)

    triangles : shape (n, 3, 3), closed [mm]
    about : origin of the sum, shape (3,) [mm]; the middle of the box if None, which loses the fewest digits

    >>> box = np.array([[[0, 0, 0], [0, 1, 0], [1, 0, 0]], [[0, 0, 0], [1, 0, 0], [0, 0, 1]],
    ...                 [[0, 0, 0], [0, 0, 1], [0, 1, 0]], [[1, 0, 0], [0, 1, 0], [0, 0, 1]]], float)
    >>> round(signed_volume_mm3(box) * 6, 12)
    1.0
    """
    return float(volumes_mm3(triangles, about).sum())


def volumes_mm3(triangles: np.ndarray, about: np.ndarray | None = None) -> np.ndarray:
    """Signed volume between each triangle and a point, the middle of the box if None; shape (n,) [mm3]."""
    if len(triangles) == 0:
        return np.zeros(0)
    about = bounds_mm(triangles).mean(axis=0) if about is None else about
    first = [triangles[:, 0, axis] - about[axis] for axis in range(3)]
    volumes: np.ndarray = sum(side * normal for side, normal in zip(first, normals_mm2(triangles), strict=True)) / 6
    return volumes


def bounds_mm(triangles: np.ndarray) -> np.ndarray:
    """Lowest and highest x, y and z of at least one triangle, shape (2, 3) [mm]; nan where a corner is nan."""
    flat = triangles.reshape(-1)
    whole = len(flat) // _ROW * _ROW
    rows, rest = flat[:whole].reshape(-1, _ROW), flat[whole:].reshape(-1, 3)  # short rows are reduced slowly
    if not whole:
        return np.array([rest.min(axis=0), rest.max(axis=0)])
    low, high = rows.min(axis=0).reshape(-1, 3), rows.max(axis=0).reshape(-1, 3)
    return np.array([np.concatenate([low, rest]).min(axis=0), np.concatenate([high, rest]).max(axis=0)])


def face_areas_mm2(triangles: np.ndarray) -> np.ndarray:
    """Area of each triangle, shape (n,) [mm2]."""
    x, y, z = normals_mm2(triangles)
    areas: np.ndarray = 0.5 * np.sqrt(x * x + y * y + z * z)
    return areas


def normals_mm2(triangles: np.ndarray) -> np.ndarray:
    """x, y, z of each triangle's outward normal, as long as twice its area; shape (3, n) [mm2]."""
    normals = np.empty((3, len(triangles)))
    for begin in range(0, len(triangles), AT_ONCE):
        rows = np.ascontiguousarray(triangles[begin : begin + AT_ONCE].reshape(-1, 9).T)
        ux, uy, uz, vx, vy, vz = rows[3:] - rows[[0, 1, 2, 0, 1, 2]]
        normals[:, begin : begin + AT_ONCE] = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    return normals
