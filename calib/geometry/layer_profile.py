"""Triangles in one pose -> what each layer looks like."""

from __future__ import annotations

import numpy as np

from calib.errors import MeshError
from calib.geometry.contours import loops_by_layer, turns_by_layer
from calib.geometry.mesh import bounds_mm, normals_mm2
from calib.geometry.sweep import Cuts, by_level, planes_under, sweep
from calib.geometry.topology import Topology, topology_of
from calib.records import LayerProfile

MAX_LAYERS = 200_000


def layer_profile(
    triangles: np.ndarray,
    layer_mm: float,
    angles_deg: tuple[float, ...] = (45.0, 135.0),
    topology: Topology | None = None,
) -> LayerProfile:
    r"""Area, perimeter, contours, pieces, corners, skins and fill lines of every layer, in one sweep.

    .. math::
        A = \frac{1}{2} \sum (x_1 y_2 - x_2 y_1), \quad P = \sum |e|, \quad W_\theta = \frac{1}{2} \sum |e \cdot n|

    over the straight pieces e = (x1, y1) -> (x2, y2) of a section, n the normal of lines at angle theta. Upward skin
    of a layer is the upward-facing surface, projected, between its cut and the next; downward skin that between its
    cut and the last one: what the next does not cover and the last does not carry, exact where no two surfaces lie
    one over the other within a layer.

    Parameters
    ----------
    triangles : shape (n, 3, 3), closed, turned outwards, in the pose to build [mm]
    layer_mm : layer thickness, > 0 [mm]
    angles_deg : directions of fill lines [deg]
    topology : ``topology_of`` the triangles, in this pose or another, where known already

    Returns
    -------
    Layers 0, 1, ... cut at lowest point + (i + 1/2) layer, as many as have their cut below the highest point. A part
    thinner than half a layer is one layer, cut at half its height.

    Raises
    ------
    MeshError
        When there is no triangle, no height, or more than 200,000 layers.
    """
    bottom, height = _extent(triangles, layer_mm)
    count = max(1, int(np.ceil(height / layer_mm - 0.5 - 1e-9)))
    first = bottom + (0.5 * layer_mm if height > 0.5 * layer_mm else 0.5 * height)
    topology = topology or topology_of(triangles)
    heights = np.ascontiguousarray(triangles[:, :, 2].T)
    under = planes_under(heights, first, layer_mm, count)
    normals = normals_mm2(triangles)
    sums = _Sums(triangles, 0.5 * normals[2], under, count, angles_deg)
    for cut in sweep(triangles, first, layer_mm, count, under=under):
        sums.add(cut)
    up, down = sums.skins()
    corners, pieces = turns_by_layer(normals, under, topology.twins, count)
    return LayerProfile(
        layer_mm=float(layer_mm),
        z_mm=first - bottom + layer_mm * np.arange(count),
        area_mm2=sums.area,
        perimeter_mm=sums.perimeter,
        contours=loops_by_layer(heights, under, topology, count),
        segments=pieces,
        corners=corners,
        up_skin_mm2=up,
        down_skin_mm2=down,
        angles_deg=np.asarray(angles_deg, float),
        line_width_mm=sums.width,
    )


def _extent(triangles: np.ndarray, layer_mm: float) -> tuple[float, float]:
    if not layer_mm > 0:
        raise MeshError(f"a layer of {layer_mm} mm cannot be built.", "Give a layer thickness above 0 mm.")
    if len(triangles) == 0:
        raise MeshError("The part has no triangle: there is nothing to cut into layers.")
    bottom, top = float(triangles[:, :, 2].min()), float(triangles[:, :, 2].max())
    if not top > bottom:
        raise MeshError("The part is flat: it has no height in this pose, so it has no layers.")
    if (top - bottom) / layer_mm > MAX_LAYERS:
        raise MeshError(
            f"{top - bottom:g} mm in layers of {layer_mm:g} mm are more than {MAX_LAYERS} layers.",
            "Check the part's unit (--unit) and the layer thickness.",
        )
    return bottom, top - bottom


class _Sums:
    """What adds up over the pieces of a layer."""

    def __init__(
        self, triangles: np.ndarray, upward: np.ndarray, under: np.ndarray, count: int, angles_deg: tuple[float, ...]
    ) -> None:
        """upward : shape (n,), area of the triangles as seen from above, negative where they face down [mm2]."""
        self.middle = bounds_mm(triangles).mean(axis=0)  # areas about it lose the fewest digits
        self.normals = [(-np.sin(angle), np.cos(angle)) for angle in np.deg2rad(angles_deg)]
        self.count = count
        self.area, self.perimeter = np.zeros(count), np.zeros(count)
        self.width = np.zeros((count, len(self.normals)))
        middle = by_level(under)[1]
        # upward and downward surface, seen from above, of the triangles that are past their middle corner
        past = [np.bincount(middle, np.maximum(sign * upward, 0.0), count + 1) for sign in (1.0, -1.0)]
        self.passed = np.cumsum(past, axis=1)

    def add(self, cut: Cuts) -> None:
        """Pieces of some triangles: each is so much of its triangle's width, which lies across the long edge."""
        (wx, wy), (lx, ly) = cut.width, cut.long
        mx, my = cut.low[0] - self.middle[0], cut.low[1] - self.middle[1]
        area = cut.along * cut.each(0.5 * cut.sign * (lx * wy - ly * wx))
        area += cut.each(0.5 * cut.sign * (mx * wy - my * wx))
        area *= cut.share
        self.area += np.bincount(cut.plane, area, self.count)
        self.perimeter += np.bincount(cut.plane, cut.each(np.hypot(wx, wy)) * cut.share, self.count)
        for i, (nx, ny) in enumerate(self.normals):
            across = cut.each(0.5 * np.abs(nx * wx + ny * wy))
            self.width[:, i] += np.bincount(cut.plane, across * cut.share, self.count)
        self._add_passed(cut)

    def _add_passed(self, cut: Cuts) -> None:
        """Under a plane lies the tip of a triangle that it cuts below the middle corner, above it all but the tip."""
        seen = np.abs(cut.upward)
        tip = np.where(
            cut.plane < cut.each(cut.between), cut.each(seen * cut.middle), cut.each(seen * (cut.middle - 1.0))
        )
        tip *= cut.share
        tip *= cut.share
        row = cut.plane + cut.each(np.where(cut.upward > 0, 0, self.count + 1))
        self.passed += np.bincount(row, tip, 2 * (self.count + 1)).reshape(2, -1)

    def skins(self) -> tuple[np.ndarray, np.ndarray]:
        """Upward and downward skin of each layer [mm2]."""
        up, down = self.passed
        return np.maximum(np.diff(up), 0), np.maximum(np.diff(down, prepend=0)[: self.count], 0)
