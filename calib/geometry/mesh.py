"""What a part file holds once it was read, checked and, where that is safe, repaired."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.errors import MeshError


@dataclass(frozen=True, eq=False)
class Mesh:
    """One part file, as triangles turned outwards.

    triangles : shape (n, 3, 3), corners of the faces after repair [mm]
    mates : shape (3 n,), see ``topology.edge_mates``, of the repaired triangles
    name, sha256 : name and digest of the file
    unit : unit of the file's numbers; ``unit_assumed`` where neither the file nor the user stated it
    bodies : closed or open surfaces that share no edge
    watertight : every edge had its second face, as found, before repair
    volume_mm3 : nan where it has no meaning (open beyond repair); overlaps counted once [mm3]
    area_mm2 : surface after repair [mm2]
    bounds_mm : shape (2, 3), lowest and highest corner, as it lies in the file [mm]
    notes : what was found and what was done about it, with the effect on volume
    """

    triangles: np.ndarray
    mates: np.ndarray
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

    @property
    def size_mm(self) -> np.ndarray:
        """Length along x, y and z, shape (3,) [mm]."""
        return self.bounds_mm[1] - self.bounds_mm[0]

    def must_be_solid(self) -> None:
        """Raise a MeshError where times, volumes and layers of this part would be meaningless."""
        if not np.isfinite(self.volume_mm3):
            raise MeshError(
                f"{self.name} does not enclose a volume: {' '.join(self.notes)}",
                "Close the surface in the program that made it, and export it again.",
            )


def signed_volume_mm3(triangles: np.ndarray, about: np.ndarray | None = None) -> float:
    r"""Volume by the divergence theorem, negative where the faces are turned inwards.

    .. math::  V = \frac{1}{6} \sum a \cdot (b \times c)

    triangles : shape (n, 3, 3), closed [mm]
    about : point that the sum is reckoned from; the middle of the corners if None, which loses the fewest digits

    >>> box = np.array([[[0, 0, 0], [0, 1, 0], [1, 0, 0]], [[0, 0, 0], [1, 0, 0], [0, 0, 1]],
    ...                 [[0, 0, 0], [0, 0, 1], [0, 1, 0]], [[1, 0, 0], [0, 1, 0], [0, 0, 1]]], float)
    >>> round(signed_volume_mm3(box) * 6, 12)
    1.0
    """
    if len(triangles) == 0:
        return 0.0
    about = triangles.reshape(-1, 3).mean(axis=0) if about is None else about
    a, b, c = np.moveaxis(triangles - about, 1, 0)
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def face_areas_mm2(triangles: np.ndarray) -> np.ndarray:
    """Area of each triangle, shape (n,) [mm2]."""
    a, b, c = np.moveaxis(triangles, 1, 0)
    return 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)
