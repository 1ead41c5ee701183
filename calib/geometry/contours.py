"""Contours of the layers: how many there are in each, and where they turn."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from calib.geometry.sweep import by_level
from calib.geometry.topology import Topology, pinched_vertices

PIECES_AT_ONCE = 3_000_000
STRAIGHT_DEG = 0.1  # pieces that turn by less are one straight piece
KEPT = 0.1  # speed kept round a right angle over the speed between corners: common practice, no source


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
    loops = np.zeros(count, np.int64)
    for planes in _bunches(np.flatnonzero(changes[:count]), by_level(under)):
        loops[planes] = _walked(planes, under, topology.twins)
    last = np.maximum.accumulate(np.where(changes[:count], np.arange(count), 0))
    return loops[last]


def critical_vertices(heights: np.ndarray, topology: Topology) -> np.ndarray:
    """Vertices around which the surface does not simply rise on one side and fall on the other; shape (v,) of bool.

    heights : shape (3, n), of the triangles' corners. Of equal heights the vertex with the lower number counts as lower. A simple
    vertex is the middle one of just two of its triangles. Vertices where surfaces touch count as critical.
    """
    numbers = np.ascontiguousarray(topology.faces.T)
    less = []
    for first, second in ((0, 1), (1, 2), (2, 0)):
        tied = (heights[first] == heights[second]) & (numbers[first] < numbers[second])
        less.append((heights[first] < heights[second]) | tied)
    middle = np.where(less[0] == less[2], numbers[0], np.where(less[0] == less[1], numbers[1], numbers[2]))
    critical: np.ndarray = np.bincount(middle, minlength=int(numbers.max(initial=-1)) + 1) != 2
    critical[pinched_vertices(topology)] = True
    return critical


def _bunches(planes: np.ndarray, levels: list[np.ndarray]) -> Iterator[np.ndarray]:
    """Some planes at a time, so that memory stays bounded."""
    size = int(levels[2].max(initial=0)) + 1
    pieces = np.cumsum(np.bincount(levels[0], minlength=size) - np.bincount(levels[2], minlength=size))
    group = np.cumsum(np.append(pieces, 0)[np.minimum(planes, size)]) // PIECES_AT_ONCE
    yield from np.split(planes, np.flatnonzero(np.diff(group)) + 1)


def _walked(planes: np.ndarray, under: np.ndarray, twins: np.ndarray) -> np.ndarray:
    """Loops in each of these planes: cycles of the walk from each piece to the next across its edge's twin."""
    bottom, _, top = (np.searchsorted(planes, level) for level in by_level(under))  # in numbers of these planes
    counts = top - bottom
    start = np.cumsum(counts) - counts
    face = np.repeat(np.arange(len(counts)), counts)
    plane = np.arange(len(face)) - np.repeat(start - bottom, counts)
    twin = twins[_leaving(under, face, planes[plane])]
    following = np.where(twin >= 0, (start - bottom)[twin // 3] + plane, np.arange(len(face)))
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


def turns_by_layer(
    normals: np.ndarray, under: np.ndarray, twins: np.ndarray, count: int
) -> tuple[np.ndarray, np.ndarray]:
    """Corners of each layer, as so many right angles, and its straight pieces; shape (count,) each.

    normals : shape (3, n), of the faces; under : shape (3, n), planes under each corner; twins : shape (3 n,)
    """
    low, high, face, other = _crossed_edges(under, twins)
    x, y, _ = normals
    ax, ay, bx, by = x[face], y[face], x[other], y[other]
    lengths = np.sqrt((ax * ax + ay * ay) * (bx * bx + by * by))
    cosine = (ax * bx + ay * by) / np.maximum(lengths, 1e-300)
    straight = np.abs(ax * by - ay * bx) <= np.sin(np.deg2rad(STRAIGHT_DEG)) * lengths
    weights = (right_angles(cosine), (~straight | (cosine < 0)).astype(float))
    corners, pieces = (_from_to(low, high, weight, count) for weight in weights)
    return np.round(corners, 6), np.round(pieces).astype(np.int64)


def right_angles(cosine: np.ndarray) -> np.ndarray:
    r"""How many right angles a corner counts for, by the time that it costs.

    .. math::  w = \left(\frac{1 - v_\theta / v}{1 - v_{90} / v}\right)^2, \quad
               v_\theta = \frac{\sqrt 2\, v_{90}}{2 \sin(\theta / 2)}

    Parameters
    ----------
    cosine : shape (n,), of the angle theta by which the path turns there [-]

    Returns
    -------
    Shape (n,): 0 where the path is hardly slowed (below 8 degrees), 0.4 at 20, 0.8 at 45, 1 at 90, 1.06 at 180 degrees [-].

    Notes
    -----
    Slowing from v to v_theta and back costs (v - v_theta)^2 / (a v). The speed kept round a right angle is taken as a
    tenth of the speed between corners.

    Examples
    --------
    >>> right_angles(np.cos(np.deg2rad([5.0, 20.0, 45.0, 90.0]))).round(2).tolist()
    [0.0, 0.43, 0.82, 1.0]

    References
    ----------
    Equal change of velocity at every corner (elementary kinematics); the tenth: common practice, no source.
    """
    half_sine = np.sqrt(np.clip((1.0 - cosine) / 2.0, 0.0, 1.0))
    kept = KEPT * np.sqrt(0.5) / np.maximum(half_sine, KEPT * np.sqrt(0.5))
    weight: np.ndarray = ((1.0 - kept) / (1.0 - KEPT)) ** 2
    return weight


def _from_to(low: np.ndarray, high: np.ndarray, weight: np.ndarray, count: int) -> np.ndarray:
    """Sum of the weights of the edges that each plane cuts."""
    change = np.bincount(low, weight, count + 1) - np.bincount(high, weight, count + 1)
    return np.maximum(np.cumsum(change)[:count], 0.0)


def _crossed_edges(under: np.ndarray, twins: np.ndarray) -> tuple[np.ndarray, ...]:
    """Edges that planes cut: lowest plane, plane after the highest, and the two faces."""
    crossed = []
    for corner in range(3):
        start, end, twin = under[corner], under[(corner + 1) % 3], twins[corner::3]
        face = np.flatnonzero((start != end) & (twin > 3 * np.arange(len(twin)) + corner))
        ends = start[face], end[face]
        crossed.append((np.minimum(*ends), np.maximum(*ends), face, twin[face] // 3))
    return tuple(np.concatenate(parts) for parts in zip(*crossed, strict=True))
