"""Where many parallel planes cut many triangles, all at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

CROSSINGS_AT_ONCE = 3_000_000


@dataclass(frozen=True, eq=False)
class Crossings:
    """Straight pieces in which planes cut triangles; seen along the axis, the solid is on the left of start -> end.

    face, plane : shape (m,), which triangle, which plane
    lone : shape (m,), corner of the triangle that is alone on its side of the plane
    below : shape (m,), whether that corner is under the plane
    start, end : shape (2, m), coordinates in the plane [mm]
    """

    face: np.ndarray
    plane: np.ndarray
    lone: np.ndarray
    below: np.ndarray
    start: np.ndarray
    end: np.ndarray


def planes_under(heights: np.ndarray, first: float, step: float, count: int) -> np.ndarray:
    """How many of the planes first, first + step, ... lie at or under each height: 0 .. count."""
    under = np.floor((heights - first) / step) + 1
    return np.clip(under, 0, count).astype(np.int32)


def sweep(triangles: np.ndarray, first: float, step: float, count: int, axis: int = 2) -> Iterator[Crossings]:
    """Cut triangles by ``count`` planes; pieces in bunches of neighbouring planes, so that memory stays bounded.

    A corner that lies in a plane counts as above it: shared edges are cut in both their triangles or in none, so that
    contours close.
    """
    under = planes_under(triangles[:, :, axis], first, step, count)
    low, high = under.min(axis=1), under.max(axis=1)
    for begin, end in _bunches(low, high, count):
        cut = np.flatnonzero((low < end) & (high > begin))
        yield _cut(triangles, under, cut, first, step, (begin, end), axis)


def _bunches(low: np.ndarray, high: np.ndarray, count: int) -> Iterator[tuple[int, int]]:
    starts = np.bincount(low, minlength=count + 1)[: count + 1]
    ends = np.bincount(high, minlength=count + 1)[: count + 1]
    total = np.cumsum(np.cumsum(starts - ends)[:count])
    begin = 0
    while begin < count:
        done = total[begin - 1] if begin else 0
        end = max(begin + 1, int(np.searchsorted(total, done + CROSSINGS_AT_ONCE, side="right")))
        yield begin, end
        begin = end


def _cut(
    triangles: np.ndarray, under: np.ndarray, cut: np.ndarray, first: float, step: float,
    planes: tuple[int, int], axis: int,
) -> Crossings:  # fmt: skip
    """Pieces of some triangles in planes[0] <= plane < planes[1].

    Below the middle corner's height the lowest corner is alone, above it the highest: two runs of planes a triangle.
    """
    levels = under[cut]
    lowest, highest = levels.argmin(axis=1), 2 - levels[:, ::-1].argmax(axis=1)
    low, high = np.clip(levels.min(axis=1), *planes), np.clip(levels.max(axis=1), *planes)
    middle = np.clip(levels.sum(axis=1) - levels.min(axis=1) - levels.max(axis=1), *planes)
    counts = np.concatenate([middle - low, high - middle])
    keep = counts > 0
    runs = np.concatenate([cut, cut])[keep]
    lone = np.concatenate([lowest, highest])[keep]
    below = np.arange(2 * len(cut))[keep] < len(cut)
    counts, begin = counts[keep], np.concatenate([low, middle])[keep]
    plane = np.arange(counts.sum()) + np.repeat(begin - np.cumsum(counts) + counts, counts)
    height = first + step * plane
    corner = [triangles[runs, (lone + turn) % 3] for turn in range(3)]
    one = _on_edge(corner[0], corner[1], below, counts, height, axis)
    other = _on_edge(corner[0], corner[2], below, counts, height, axis)
    under_plane = np.repeat(below, counts)
    return Crossings(
        face=np.repeat(runs, counts),
        plane=plane,
        lone=np.repeat(lone, counts),
        below=under_plane,
        start=np.where(under_plane, other, one),
        end=np.where(under_plane, one, other),
    )


def _on_edge(
    lone: np.ndarray, far: np.ndarray, below: np.ndarray, counts: np.ndarray, height: np.ndarray, axis: int
) -> np.ndarray:
    """Where the edge from the lone corner meets the planes, always reckoned from its lower end; shape (2, m)."""
    across = [(axis + 1) % 3, (axis + 2) % 3]
    bottom = np.where(below[:, None], lone, far)
    rise = np.where(below[:, None], far, lone) - bottom
    share = (height - np.repeat(bottom[:, axis], counts)) / np.repeat(rise[:, axis], counts)
    np.clip(share, 0.0, 1.0, out=share)
    return np.stack([np.repeat(bottom[:, i], counts) + share * np.repeat(rise[:, i], counts) for i in across])
