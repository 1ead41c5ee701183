"""Where the sections of layers turn: at each edge by the angle between its two faces' walls."""

from __future__ import annotations

import numpy as np

STRAIGHT_DEG = 0.1  # pieces that turn by less are one straight piece
KEPT = 0.1  # speed kept round a right angle over the speed between corners: common practice, no source


def turns_by_layer(
    normals: np.ndarray, under: np.ndarray, mates: np.ndarray, count: int
) -> tuple[np.ndarray, np.ndarray]:
    """Corners of each layer, as so many right angles, and its straight pieces; shape (count,) each.

    normals : shape (3, n), of the faces; under : shape (3, n), planes under each corner; mates : shape (3 n,)
    """
    low, high, one, two = _crossed_edges(under, mates)
    x, y, _ = normals
    ax, ay, bx, by = x[one], y[one], x[two], y[two]
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
    cosine : of the angle theta by which the path turns there [-]

    Returns
    -------
    0 where the path is hardly slowed (below 8 degrees), 0.4 at 20, 0.8 at 45, 1 at 90, 1.06 at 180 degrees [-].

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
    return ((1.0 - kept) / (1.0 - KEPT)) ** 2


def _from_to(low: np.ndarray, high: np.ndarray, weight: np.ndarray, count: int) -> np.ndarray:
    """Sum of the weights of the edges that each plane cuts."""
    change = np.bincount(low, weight, count + 1) - np.bincount(high, weight, count + 1)
    return np.maximum(np.cumsum(change)[:count], 0.0)


def _crossed_edges(under: np.ndarray, mates: np.ndarray) -> tuple[np.ndarray, ...]:
    """Edges that planes cut: lowest plane, plane after the highest, and the two faces."""
    found = []
    for corner in range(3):
        start, end, mate = under[corner], under[(corner + 1) % 3], mates[corner::3]
        face = np.flatnonzero((start != end) & (mate > 3 * np.arange(len(mate)) + corner))
        ends = start[face], end[face]
        found.append((np.minimum(*ends), np.maximum(*ends), face, mate[face] // 3))
    return tuple(np.concatenate(parts) for parts in zip(*found, strict=True))
