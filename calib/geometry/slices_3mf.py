"""Slice stacks of one 3MF model file, element by element, as arrays."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from math import isfinite

import numpy as np

from calib.geometry.slices import Slices

SLICE = "http://schemas.microsoft.com/3dmanufacturing/slice/2015/07"
MAX_SLICES = 200_000
MAX_PIECES = 20_000_000
GREATEST = 1e9  # in the file's unit; what is left of it in mm is checked with the mesh


class SliceError(ValueError):
    """What is wrong with a stack, as a clause."""


@dataclass(eq=False)
class Stack:
    """bottom, tops : heights in the file's unit; points, ends : of all sections; refs : (path, number) of other stacks.

    starts : vertex at which each polygon starts; pieces : for each straight piece its end; counts : by polygon, by section
    """

    bottom: float
    tops: array[float] = field(default_factory=lambda: array("d"))
    points: array[float] = field(default_factory=lambda: array("d"))
    pieces: array[int] = field(default_factory=lambda: array("q"))  # start, end of each, among all points
    section: array[int] = field(default_factory=lambda: array("q"))  # of each piece
    polygons: array[int] = field(default_factory=lambda: array("q"))  # of each section
    first_piece: array[int] = field(default_factory=lambda: array("q"))  # of each polygon
    refs: list[tuple[str, str]] = field(default_factory=list)
    begin: int = 0  # first point of the open section
    last_point: int = 0  # where the open polygon has come to

    def slice(self, top: float) -> None:
        """Begin a section that reaches up to ``top``; a SliceError where that is not above the last."""
        self.close()
        below = self.tops[-1] if self.tops else self.bottom
        if not (isfinite(top) and abs(top) <= GREATEST):
            raise SliceError(f"slice {len(self.tops) + 1} has ztop {top:g}, which is no height")
        if top <= below:
            raise SliceError(f"slice {len(self.tops) + 1} has ztop {top:g}, not above {below:g} where it begins")
        if len(self.tops) >= MAX_SLICES:
            raise SliceError(f"a stack has more than {MAX_SLICES} slices")
        self.tops.append(top)
        self.polygons.append(0)
        self.begin = len(self.points) // 2

    def vertex(self, x: float, y: float) -> None:
        """A vertex of the open section; a SliceError where it is no place, or no section is open."""
        if not (abs(x) <= GREATEST and abs(y) <= GREATEST):  # not a number is not below either
            raise SliceError(f"slice {len(self.tops)} has a vertex at ({x:g}, {y:g}), which is no place")
        self._open()
        self.points.extend((x, y))

    def polygon(self, start: int) -> None:
        """Begin a polygon of the open section; a SliceError as for ``vertex``, ``close`` and a vertex that is not there."""
        self._open()
        self.close()
        self.polygons[-1] += 1
        self.first_piece.append(len(self.section))
        self.last_point = self._point(start)

    def segment(self, end: int) -> None:
        """A straight piece to a vertex; a SliceError outside of every polygon, or where there are too many."""
        if not self.polygons or not self.polygons[-1]:
            raise SliceError("a segment stands outside of every polygon")
        if len(self.section) >= MAX_PIECES:
            raise SliceError(f"its slices have more than {MAX_PIECES} segments; export coarser slices")
        last = self._point(end)
        self.pieces.extend((self.last_point, last))
        self.section.append(len(self.tops) - 1)
        self.last_point = last

    def close(self) -> None:
        """End the open polygon; a SliceError where it does not come back to its start."""
        if self.first_piece and self.polygons and self.polygons[-1]:
            begin = self.first_piece[-1]
            if begin == len(self.section) or self.pieces[2 * begin] != self.pieces[-1] or len(self.section) - begin < 3:
                raise SliceError(f"a polygon of slice {len(self.tops)} (ztop {self.tops[-1]:g}) is not closed")

    def _open(self) -> None:
        if not self.tops:
            raise SliceError("a vertex or polygon stands outside of every slice")

    def _point(self, number: int) -> int:
        there = len(self.points) // 2 - self.begin
        if not 0 <= number < there:
            raise SliceError(f"slice {len(self.tops)} names vertex {number}, and there are {there}")
        return self.begin + number

    def slices(self) -> Slices:
        """As arrays, in the file's unit; a SliceError where a polygon is not closed, or a section is inside out."""
        self.close()
        points = np.frombuffer(self.points, np.float64).reshape(-1, 2) if self.points else np.zeros((0, 2))
        ends = np.array(self.pieces, np.int64).reshape(-1, 2)
        following = np.arange(1, len(ends) + 1)
        begins = np.array(self.first_piece, np.int64)
        following[np.append(begins[1:], len(ends))[: len(begins)] - 1] = begins
        tops = np.array(self.tops)
        (x1, y1), (x2, y2) = points[ends[:, 0]].T, points[ends[:, 1]].T
        area = np.bincount(np.array(self.section, np.int64), x1 * y2 - x2 * y1, len(tops))
        if (area < -1e-6 * np.abs(area).max(initial=0)).any():
            raise SliceError(f"slice {int(np.argmin(area)) + 1} is inside out: its outer polygons run clockwise")
        return Slices(
            low_mm=np.append(self.bottom, tops)[: len(tops)],
            high_mm=tops,
            first=points[ends[:, 0]],
            last=points[ends[:, 1]],
            following=following,
            slice=np.array(self.section, np.int64),
            polygons=np.array(self.polygons, np.int64),
        )
