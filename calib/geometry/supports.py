"""Downward-facing surface -> what must stand under it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calib.geometry.mesh import face_areas_mm2
from calib.geometry.rays import Rays, vertical_rays

RAYS = 65_536
ON_PLATE_MM = 1e-3  # surface this near the plate lies on it
ROUNDED_DEG = 0.05  # by so much a face may be turned by the rounding of a file's numbers


@dataclass(frozen=True)
class Supports:
    """What holds up one part in one pose.

    volume_cm3 : space under the overhangs down to the plate or the part (a support fills a share of it) [cm3]
    contact_cm2 : surface that supports touch: the overhangs, and the part where supports stand on it [cm2]
    downward_cm2 : downward-facing surface beyond the angle, off the plate [cm2]
    greatest_thickness_mm : of the supported space: twice the distance from its middle to its edge [mm]
    free_share : of the space between overhangs and plate, what the part itself does not fill [0..1]
    spans_mm : shape (m, 2), where equal columns of support begin and end above the plate [mm]
    """

    volume_cm3: float
    contact_cm2: float
    downward_cm2: float
    greatest_thickness_mm: float
    free_share: float = 1.0
    spans_mm: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)), compare=False)

    def sections_mm2(self, layer_mm: float, layers: int) -> np.ndarray:
        """Section of the supports in each layer, shape (layers,) [mm2]; over the height they add up to the volume."""
        begin, end = (np.clip(np.round(self.spans_mm / layer_mm).astype(int), 0, layers)).T
        end = np.maximum(end, np.minimum(begin + 1, layers))  # the thinnest support is a layer
        steps = np.bincount(begin, minlength=layers + 1) - np.bincount(end, minlength=layers + 1)
        columns_in = np.cumsum(steps)[:layers].astype(float)
        whole = columns_in.sum() * layer_mm
        return columns_in * (1000.0 * self.volume_cm3 / whole) if whole > 0 else columns_in


NONE = Supports(0.0, 0.0, 0.0, 0.0)


def find_supports(triangles: np.ndarray, overhang_deg: float, count: int = RAYS) -> Supports:
    """Supports of a closed part that stands on its lowest point.

    triangles : shape (n, 3, 3), closed, turned outwards [mm]
    overhang_deg : surface that looks down and is flatter than this from the horizontal is supported: at 0 nothing is,
        at 90 all that looks down; 45 is common practice for extrusion, no source [deg]
    count : vertical rays that find where a support meets the part

    The volume down to the plate is exact; what the part itself takes of it is measured on the rays.
    """
    held = overhanging(triangles, overhang_deg)
    if not held.any():
        return NONE
    area = face_areas_mm2(triangles)
    rays = vertical_rays(triangles, count)
    plate = float(triangles[:, :, 2].min())
    height, landed = _under(rays, held, plate)
    held_up = height > 0
    free = _free_share(rays, held, height, plate)
    volume = _volume_to_plate_mm3(triangles[held], plate) * free
    downward = float(area[held].sum())
    return Supports(
        volume_cm3=volume / 1000,
        contact_cm2=(downward + float(landed.sum()) * rays.cell_mm2) / 100,
        downward_cm2=downward / 100,
        greatest_thickness_mm=_greatest_thickness_mm(rays, height),
        free_share=free,
        spans_mm=np.stack([rays.z[held_up] - height[held_up], rays.z[held_up]], axis=1) - plate,
    )


def overhanging(triangles: np.ndarray, overhang_deg: float) -> np.ndarray:
    """Faces that look down, are flatter than the angle from the horizontal, and are off the plate; shape (n,) of bool."""
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    length = np.linalg.norm(normal, axis=1)
    flat = -normal[:, 2] > least_facing_down(overhang_deg) * length
    heights = triangles[:, :, 2]
    held: np.ndarray = flat & (length > 0) & (heights.max(axis=1) > heights.min(initial=np.inf) + ON_PLATE_MM)
    return held


def least_facing_down(overhang_deg: float) -> float:
    """Share of a face's area that is seen from below where it is just flat enough to be supported [-].

    The angle is that of the surface to the build platform, 0 for a ceiling: the downskin angle of ISO/ASTM 52911-1
    (from memory). A face at the angle itself holds itself, also where a file's rounded numbers turn it a little.
    """
    return float(np.cos(np.deg2rad(max(overhang_deg - ROUNDED_DEG, 0.0)))) + 1e-9


def _volume_to_plate_mm3(held: np.ndarray, plate: float) -> float:
    """Under faces down to the plate: area seen from below times mean height over the plate."""
    (ax, ay), (bx, by) = ((held[:, i, :2] - held[:, 0, :2]).T for i in (1, 2))
    return float((0.5 * np.abs(ax * by - ay * bx) * (held[:, :, 2].mean(axis=1) - plate)).sum())


def _free_share(rays: Rays, held: np.ndarray, height: np.ndarray, plate: float) -> float:
    """Of the height between overhangs and plate, the share that is free; 1 where nothing lies between."""
    over = held[rays.face] & ~rays.upward
    whole = float((rays.z[over] - plate).sum())
    return float(height[over].sum()) / whole if whole > 0 else 1.0


def _under(rays: Rays, held: np.ndarray, plate: float) -> tuple[np.ndarray, np.ndarray]:
    """Free height under each crossing of an overhang (0 elsewhere) [mm], and whether it ends on the part."""
    over = held[rays.face] & ~rays.upward
    first = np.diff(rays.ray, prepend=-1) != 0
    below = np.where(first, plate, np.roll(rays.z, 1))
    return np.where(over, rays.z - below, 0.0), over & ~first


def _greatest_thickness_mm(rays: Rays, height: np.ndarray) -> float:
    """Least of height and twice the way to the edge of the supported area, at its greatest."""
    tall = np.bincount(rays.ray, height, rays.shape[0] * rays.shape[1]).reshape(rays.shape)
    cell = min(rays.cell_mm)
    inside, steps, best = np.pad(tall > 0, 1), 0, 0.0
    while inside.any():
        steps += 1
        thick = np.minimum(tall, (2 * steps - 1) * cell)[inside[1:-1, 1:-1]]
        best = max(best, float(thick.max()))
        inside = _eroded(inside, corners=steps % 2 == 0)
    return best


def _eroded(inside: np.ndarray, corners: bool) -> np.ndarray:
    """Cells whose neighbours are all inside; with every second step over corners too the way is nearly round."""
    kept = inside.copy()
    kept[1:] &= inside[:-1]
    kept[:-1] &= inside[1:]
    kept[:, 1:] &= inside[:, :-1]
    kept[:, :-1] &= inside[:, 1:]
    if corners:
        kept[1:, 1:] &= inside[:-1, :-1]
        kept[:-1, :-1] &= inside[1:, 1:]
        kept[1:, :-1] &= inside[:-1, 1:]
        kept[:-1, 1:] &= inside[1:, :-1]
    return kept
