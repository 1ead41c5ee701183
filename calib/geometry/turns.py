"""Where the sections of layers turn: at each edge by the angle between its two faces' walls."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def turns_by_layer(
    normals: np.ndarray, under: np.ndarray, mates: np.ndarray, count: int, degrees: Sequence[float]
) -> list[np.ndarray]:
    """For each angle how many edges turn the section of each layer by more; shape (count,) each.

    normals : shape (3, n), of the faces; under : shape (3, n), planes under each corner; mates : shape (3 n,)
    """
    low, high, one, two = _crossed_edges(under, mates)
    x, y, _ = normals
    ax, ay, bx, by = x[one], y[one], x[two], y[two]
    straight = ax * bx + ay * by
    sine = np.square(ax * by - ay * bx) / np.maximum((ax * ax + ay * ay) * (bx * bx + by * by), 1e-300)
    counts = []
    for least in degrees:
        turned = (straight <= 0) | (sine > np.sin(np.deg2rad(least)) ** 2)
        change = np.bincount(low[turned], minlength=count + 1) - np.bincount(high[turned], minlength=count + 1)
        counts.append(np.cumsum(change)[:count])
    return counts


def _crossed_edges(under: np.ndarray, mates: np.ndarray) -> tuple[np.ndarray, ...]:
    """Edges that planes cut: lowest plane, plane after the highest, and the two faces."""
    found = []
    for corner in range(3):
        start, end, mate = under[corner], under[(corner + 1) % 3], mates[corner::3]
        face = np.flatnonzero((start != end) & (mate > 3 * np.arange(len(mate)) + corner))
        ends = start[face], end[face]
        found.append((np.minimum(*ends), np.maximum(*ends), face, mate[face] // 3))
    return tuple(np.concatenate(parts) for parts in zip(*found, strict=True))
