"""Does a part stand on the plate in a pose: what touches the plate, whether it tips, and what adhesion it needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.mesh import AT_ONCE, Mesh, normals_mm2
from calib.geometry.poses import Pose, centre_mm
from calib.geometry.solid_kernel import vertices_mm
from calib.geometry.supports import ON_PLATE_MM, least_facing_down, overhanging
from calib.geometry.sweep import sweep

# Height over the root of what touches the plate: common practice, no source.
BRIM_OVER = 5.0  # beyond it the part is held by a brim or raft
FALLS_OVER = 25.0  # beyond it not even that holds
FIRST_CUT_MM = 0.1  # the first layer's section is cut here: half of a usual layer
LINE_MM = 0.4  # what is narrower there than a usual line, like an edge, is not laid
_TURNS = np.linspace(0, 2 * np.pi, 48, endpoint=False)
_WAYS = np.stack([np.cos(_TURNS), np.sin(_TURNS)], axis=1)


@dataclass(frozen=True)
class Underside:
    """What a pose shows to the plate, of one part.

    base_mm2 : what the first layer lays on the plate, 0 for a point or an edge [mm2]
    overhang_mm2 : surface off the plate that supports hold [mm2]
    under_mm3 : space from it down to the plate, whatever lies between [mm3]
    balanced : the centre of mass lies over what touches the plate, or over that and the supports
    """

    base_mm2: float
    overhang_mm2: float
    under_mm3: float
    balanced: bool

    def stands(self, height_mm: float) -> bool:
        """Whether it can be extruded so high without a raft."""
        return self.balanced and bool(height_mm <= FALLS_OVER * self.base_mm2**0.5)

    def wants_brim(self, height_mm: float) -> bool:
        """Whether it holds only with a brim or raft."""
        return bool(height_mm > BRIM_OVER * self.base_mm2**0.5)


def undersides(mesh: Mesh, poses: Sequence[Pose], overhang_deg: float, rough: np.ndarray) -> list[Underside]:
    """The underside of a closed part in each pose; exact, from the normals of all its faces at once.

    rough : the part's triangles, or fewer of about the same shape: they tell which supports help to balance it
    """
    up = np.array([pose.rotation[2] for pose in poses])
    held = least_facing_down(overhang_deg)
    vertices = vertices_mm(mesh)
    step = AT_ONCE // 8  # each has heights in all poses
    blocks = [mesh.triangles[begin : begin + step] for begin in range(0, len(mesh.triangles), step)]
    plate = np.array([(way @ vertices.T).min() for way in up])
    sums = np.zeros((2, len(poses)))
    low: list[list[np.ndarray]] = [[] for _ in poses]
    for block in blocks:
        normals = normals_mm2(block)
        length = np.sqrt((normals**2).sum(axis=0))
        down = -up @ normals
        first, second, third = (
            up @ corner - plate[:, None] for corner in np.ascontiguousarray(block.transpose(1, 2, 0))
        )
        over = (down > held * length) & (np.maximum(np.maximum(first, second), third) > ON_PLATE_MM)
        seen = np.where(over, 0.5 * down, 0.0)
        sums += [0.5 * over @ length, np.einsum("ij,ij->i", seen, (first + second + third) / 3.0)]
        for place, near in enumerate(np.minimum(np.minimum(first, second), third) < FIRST_CUT_MM):
            low[place].append(block[near])
    centre = centre_mm(mesh.triangles)
    shown = []
    for pose, own, near, bottom in zip(poses, sums.T, low, plate, strict=True):
        area, points = _first_section(np.concatenate(near) @ pose.rotation.T, bottom)
        balanced = _lies_over(pose.rotation @ centre, points) or _held_up(pose, centre, points, rough, overhang_deg)
        shown.append(Underside(area, float(own[0]), float(own[1]), balanced))
    return shown


def _first_section(triangles: np.ndarray, bottom: float) -> tuple[float, np.ndarray]:
    """Area that the first layer lays on the plate [mm2], 0 where it is narrower than a line, and points of its rim."""
    points, area, rim = [np.zeros((0, 2))], 0.0, 0.0
    for cut in sweep(triangles - [*triangles.reshape(-1, 3)[0, :2], bottom], FIRST_CUT_MM, 1.0, 1):
        (x1, x2), (y1, y2) = cut.ends(0), cut.ends(1)
        area += float((x1 * y2 - x2 * y1).sum()) / 2
        rim += float(np.hypot(x2 - x1, y2 - y1).sum())
        points.append(np.stack([x1, y1], axis=1) + triangles.reshape(-1, 3)[0, :2])
    return (area if 2 * area > LINE_MM * rim else 0.0), np.concatenate(points)


def _held_up(pose: Pose, centre: np.ndarray, base: np.ndarray, rough: np.ndarray, overhang_deg: float) -> bool:
    """Balanced on its base and what stands under its overhangs."""
    turned = rough @ pose.rotation.T
    held = turned[overhanging(turned, overhang_deg)].reshape(-1, 3)[:, :2]
    return _lies_over(pose.rotation @ centre, np.concatenate([base, held]))


def _lies_over(centre: np.ndarray, points: np.ndarray) -> bool:
    """Whether a point lies over the convex hull of points of the plate, shape (m, 2)."""
    return len(points) > 0 and bool(((_WAYS @ (points - centre[:2]).T).max(axis=1) > 0).all())
