"""Where many parallel planes cut many triangles, all at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

PIECES_AT_ONCE = 65_536  # few enough that they stay in the processor's cache

Pair = tuple[np.ndarray, np.ndarray]


@dataclass(frozen=True, eq=False)
class Cuts:
    """Pieces in which planes cut some triangles, triangle by triangle, plane by plane.

    All pieces of a triangle are parallel. Each begins on the long edge, from the lowest to the highest corner, or ends
    there; it is longest in the height of the middle corner: its length there is the triangle's width.

    face, counts : shape (t,), the triangles that are cut, and how often
    low, long, width : pairs of shape (t,), lowest corner, long edge and width in the plane's two coordinates [mm]
    sign : shape (t,), 1 where pieces run away from the long edge (the solid on their left), -1 where towards it
    upward : shape (t,), area as seen along the axis, negative where the triangle faces down [mm2]
    middle : shape (t,), share of the long edge's height in which the middle corner lies
    between : shape (t,), planes under the middle corner
    plane : shape (m,), number of each piece's plane
    along : shape (m,), share of the long edge's height in which it lies, 0 .. 1
    share : shape (m,), its length over the width, 0 .. 1
    """

    face: np.ndarray
    counts: np.ndarray
    low: Pair
    long: Pair
    width: Pair
    sign: np.ndarray
    upward: np.ndarray
    middle: np.ndarray
    between: np.ndarray
    plane: np.ndarray
    along: np.ndarray
    share: np.ndarray

    def each(self, of_triangles: np.ndarray) -> np.ndarray:
        """A value of the triangles, shape (t,), for each piece, shape (m,)."""
        return np.repeat(of_triangles, self.counts)

    def ends(self, axis: int) -> Pair:
        """Coordinate ``axis`` (0 or 1 of the plane's two) of each piece's start and end; shapes (m,) [mm]."""
        on_long = self.each(self.low[axis]) + self.along * self.each(self.long[axis])
        across = on_long + self.share * self.each(self.width[axis])
        away = self.each(self.sign > 0)
        return np.where(away, on_long, across), np.where(away, across, on_long)


def planes_under(heights: np.ndarray, first: float, step: float, count: int) -> np.ndarray:
    """How many of the planes first, first + step, ... lie at or under each height: 0 .. count; shape of the heights.

    heights, first, step : any shape, number, number [mm]
    """
    under = (heights - first) / step
    np.floor(under, out=under)
    under += 1
    np.clip(under, 0, count, out=under)
    return under.astype(np.int32)


def sweep(
    triangles: np.ndarray, first: float, step: float, count: int, axis: int = 2, under: np.ndarray | None = None
) -> Iterator[Cuts]:
    """Cut triangles by ``count`` planes; some triangles at a time, so that memory stays bounded.

    triangles : shape (n, 3, 3) [mm]; axis : across the planes, whose own coordinates are the next two in turn
    under : shape (3, n), ``planes_under`` of the corners, where known

    A corner that lies in a plane counts as above it: shared edges are cut in both their triangles or in none, so that
    contours close.
    """
    if under is None:
        under = planes_under(triangles[:, :, axis].T, first, step, count)
    levels = by_level(under)
    total = np.cumsum(levels[2] - levels[0], dtype=np.int64)
    at_once = max(PIECES_AT_ONCE, 4 * count)
    begin, done = 0, 0
    while begin < len(total):
        end = max(begin + 1, int(np.searchsorted(total, done + at_once, side="right")))
        if total[end - 1] > done:
            yield _cut(triangles[begin:end], [level[begin:end] for level in levels], begin, (first, step, axis))
        begin, done = end, total[end - 1]


def by_level(under: np.ndarray) -> list[np.ndarray]:
    """Planes under the lowest, the middle and the highest corner of each triangle; shape (n,) each."""
    first, second, third = under
    low, high = np.minimum(first, second), np.maximum(first, second)
    return [np.minimum(low, third), np.maximum(low, np.minimum(high, third)), np.maximum(high, third)]


def _cut(triangles: np.ndarray, levels: list[np.ndarray], begin: int, planes: tuple[float, float, int]) -> Cuts:
    first, step, axis = planes
    cut = np.flatnonzero(levels[2] > levels[0])
    bottom, between, top = (level[cut] for level in levels)
    flat, base = triangles.reshape(-1), 9 * cut
    corners = _by_height(*(flat[base + 3 * corner + axis] for corner in range(3)))
    low, mid, high = ([flat[base + 3 * c + (axis + turn) % 3] for turn in range(3)] for c in corners)
    per_rise = 1.0 / (high[0] - low[0])
    middle = np.abs(np.clip((mid[0] - low[0]) * per_rise, 0.0, 1.0))  # no -0.0, by which it will be divided
    long = high[1] - low[1], high[2] - low[2]
    width = mid[1] - low[1] - middle * long[0], mid[2] - low[2] - middle * long[1]
    sign = np.where((corners[1] - corners[0]) % 3 == 1, 1.0, -1.0)
    counts = top - bottom
    plane = np.arange(counts.sum()) + np.repeat(bottom - np.cumsum(counts) + counts, counts)
    along = plane * np.repeat(step * per_rise, counts) + np.repeat((first - low[0]) * per_rise, counts)
    np.clip(along, 0.0, 1.0, out=along)
    return Cuts(
        face=begin + cut,
        counts=counts,
        low=(low[1], low[2]),
        long=long,
        width=width,
        sign=sign,
        upward=0.5 * sign * (long[1] * width[0] - long[0] * width[1]),
        middle=middle,
        between=between,
        plane=plane,
        along=along,
        share=_share(along, middle, counts),
    )


def _share(along: np.ndarray, middle: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Length of pieces over the width: from 0 at the lowest corner to 1 at the middle one, and back to 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        rising = along * np.repeat(1.0 / middle, counts)
        falling = (1.0 - along) * np.repeat(1.0 / (1.0 - middle), counts)
    share = np.fmin(rising, falling, out=rising)  # where the middle corner is as low or as high as another, one is nan
    clipped: np.ndarray = np.minimum(share, 1.0, out=share)
    return clipped


def _by_height(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Numbers 0, 1, 2 of the lowest, middle and highest of three; shape of each."""
    lowest = np.where((a <= b) & (a <= c), 0, np.where(b <= c, 1, 2))
    highest = np.where((c >= a) & (c >= b), 2, np.where(b >= a, 1, 0))
    return lowest, 3 - lowest - highest, highest
