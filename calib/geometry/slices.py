"""Sections that a part file itself carries: the slices of 3MF's slice extension."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calib.geometry.contours import right_angles
from calib.records import LayerProfile

UPRIGHT = 1.0 - 1e-9


@dataclass(frozen=True, eq=False)
class Slices:
    """One stack of sections, as it lies in the file.

    low_mm, high_mm : shape (m,), between which heights each section holds, rising [mm]
    first, last : shape (s, 2), ends of the straight pieces of its polygons, the solid on their left [mm]
    following : shape (s,), the piece that goes on where each ends; slice : shape (s,), number of its section
    polygons : shape (m,), closed polygons of each section [-]
    """

    low_mm: np.ndarray
    high_mm: np.ndarray
    first: np.ndarray
    last: np.ndarray
    following: np.ndarray
    slice: np.ndarray
    polygons: np.ndarray

    def placed(self, place: np.ndarray) -> Slices:
        """Where it is used; place : shape (4, 3), a matrix that leaves the vertical vertical [-], [mm]."""
        across, up = place[:2, :2], float(place[2, 2])
        first, last = (points @ across + place[3, :2] for points in (self.first, self.last))
        low, high = self.low_mm * up + place[3, 2], self.high_mm * up + place[3, 2]
        if np.linalg.det(across) < 0:  # mirrored: the solid would lie on the right
            before = np.empty_like(self.following)
            before[self.following] = np.arange(len(before))
            return replace(self, low_mm=low, high_mm=high, first=last, last=first, following=before)
        return replace(self, low_mm=low, high_mm=high, first=first, last=last)

    def scaled(self, scale: float) -> Slices:
        """In another unit."""
        return self.placed(np.vstack([scale * np.eye(3), np.zeros(3)]))


def of_slices(
    profile: LayerProfile, stacks: tuple[Slices, ...], bottom_mm: float, rotation: np.ndarray
) -> LayerProfile:
    """A profile whose sections are those of the file's slices, where they reach; skins stay those of the mesh.

    profile : of the part in the pose of ``rotation``, shape (3, 3); bottom_mm : lowest point of the part in its file [mm]
    Returns the profile itself where the part does not lie as in its file: slices are no sections then.
    """
    if not stacks or rotation[2, 2] < UPRIGHT:
        return profile
    angles = np.deg2rad(profile.angles_deg)
    normals = np.stack([-np.sin(angles), np.cos(angles)]).T @ rotation[:2, :2]
    heights = bottom_mm + profile.z_mm
    sums = sum(_sums(stack, normals)[_section_at(stack, heights)] for stack in stacks)
    known = np.any([_section_at(stack, heights) < len(stack.low_mm) for stack in stacks], axis=0)

    def taken(column: int, meshes: np.ndarray) -> np.ndarray:
        return np.where(known, sums[:, column], meshes)

    return replace(
        profile,
        area_mm2=np.maximum(taken(0, profile.area_mm2), 0.0),
        perimeter_mm=taken(1, profile.perimeter_mm),
        contours=np.round(taken(2, profile.contours)).astype(np.int64),
        segments=np.round(taken(3, profile.segments)).astype(np.int64),
        corners=taken(4, profile.corners),
        line_width_mm=np.where(known[:, None], sums[:, 5:], profile.line_width_mm),
    )


def _section_at(stack: Slices, heights_mm: np.ndarray) -> np.ndarray:
    """The section that holds at each height; their number where none does."""
    place = np.searchsorted(stack.high_mm, heights_mm)
    low = np.append(stack.low_mm, np.inf)[place]
    return np.where(heights_mm >= low, place, len(stack.low_mm))


def _sums(stack: Slices, normals: np.ndarray) -> np.ndarray:
    """Area, perimeter, polygons, pieces, corners and line widths of each section, and a last row of nothing."""
    edge = stack.last - stack.first
    length = np.hypot(*edge.T)
    (x1, y1), (x2, y2) = stack.first.T, stack.last.T
    after = edge[stack.following]
    turn = (edge * after).sum(axis=1) / np.maximum(length * length[stack.following], 1e-300)
    across = 0.5 * np.abs(edge @ normals.T)
    values = (0.5 * (x1 * y2 - x2 * y1), length, None, np.ones(len(length)), right_angles(turn), *across.T)
    rows = len(stack.low_mm) + 1
    return np.stack(
        [np.append(stack.polygons, 0) if value is None else np.bincount(stack.slice, value, rows) for value in values],
        axis=1,
    )
