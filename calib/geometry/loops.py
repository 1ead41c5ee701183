"""Closed loops in each layer, walked only where their number can have changed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from calib.geometry.sweep import by_level
from calib.geometry.topology import Topology, pinched_vertices

PIECES_AT_ONCE = 3_000_000


def loops_by_layer(heights: np.ndarray, under: np.ndarray, topology: Topology, count: int) -> np.ndarray:
    """Loops in each of ``count`` layers, shape (count,).

    heights, under : shape (3, n), of the triangles' corners, and the planes under each

    Between two planes the number of loops changes only where a critical vertex lies: a lowest or highest one of its
    surroundings, or a saddle. Loops are walked in the first plane above each, and taken over to the next planes.
    """
    changes = np.zeros(count + 1, bool)
    changes[0] = True
    critical = critical_vertices(heights, topology)
    for corner in range(3):
        changes[under[corner][critical[topology.faces[:, corner]]]] = True
    found = np.zeros(count, np.int64)
    for planes in _bunches(np.flatnonzero(changes[:count]), by_level(under)):
        found[planes] = _walked(planes, under, topology.mates)
    last = np.maximum.accumulate(np.where(changes[:count], np.arange(count), 0))
    return found[last]


def critical_vertices(heights: np.ndarray, topology: Topology) -> np.ndarray:
    """Vertices around which the surface does not simply rise on one side and fall on the other; shape (v,) of bool.

    heights : shape (3, n), of the triangles' corners. Equal heights are told apart by the vertices' numbers. A simple
    vertex is the middle one of just two of its triangles. Vertices where surfaces touch count as critical.
    """
    numbers = np.ascontiguousarray(topology.faces.T)
    less = []
    for one, two in ((0, 1), (1, 2), (2, 0)):
        tied = (heights[one] == heights[two]) & (numbers[one] < numbers[two])
        less.append((heights[one] < heights[two]) | tied)
    middle = np.where(less[0] == less[2], numbers[0], np.where(less[0] == less[1], numbers[1], numbers[2]))
    critical = np.bincount(middle, minlength=int(numbers.max(initial=-1)) + 1) != 2
    critical[pinched_vertices(topology)] = True
    return critical


def _bunches(planes: np.ndarray, levels: list[np.ndarray]) -> Iterator[np.ndarray]:
    """Some planes at a time, so that memory stays bounded."""
    size = int(levels[2].max(initial=0)) + 1
    pieces = np.cumsum(np.bincount(levels[0], minlength=size) - np.bincount(levels[2], minlength=size))
    group = np.cumsum(np.append(pieces, 0)[np.minimum(planes, size)]) // PIECES_AT_ONCE
    yield from np.split(planes, np.flatnonzero(np.diff(group)) + 1)


def _walked(planes: np.ndarray, under: np.ndarray, mates: np.ndarray) -> np.ndarray:
    """Loops in each of these planes: cycles of the walk from each piece to the next across its edge's mate."""
    bottom, _, top = (np.searchsorted(planes, level) for level in by_level(under))  # in numbers of these planes
    counts = top - bottom
    start = np.cumsum(counts) - counts
    face = np.repeat(np.arange(len(counts)), counts)
    plane = np.arange(len(face)) - np.repeat(start - bottom, counts)
    mate = mates[_leaving(under, face, planes[plane])]
    following = np.where(mate >= 0, (start - bottom)[mate // 3] + plane, np.arange(len(face)))
    smallest = np.arange(len(face))
    while True:  # smallest number within 1, 2, 4 ... steps ahead, until it no longer falls
        lower = np.minimum(smallest, smallest[following])
        if np.array_equal(lower, smallest):
            break
        smallest, following = lower, following[following]
    heads = smallest == np.arange(len(face))
    return np.bincount(plane[heads], minlength=len(planes))


def _leaving(under: np.ndarray, face: np.ndarray, plane: np.ndarray) -> np.ndarray:
    """Half-edge at which each piece ends: where its triangle's rim falls under the plane, the solid on the left."""
    is_under = [level[face] <= plane for level in under]
    first, second = is_under[0] & ~is_under[1], is_under[1] & ~is_under[2]
    return 3 * face + np.where(first, 0, np.where(second, 1, 2))
