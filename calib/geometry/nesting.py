"""How many copies of one part fit a plate or a powder cake."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

_DEPTH = 2  # cuts within cuts that are tried
_CUTS = 40  # places of a cut that are tried
_PINWHEEL_CUTS = 10


def copies_on_plate(size_mm: Sequence[float], build_mm: Sequence[float], gap_mm: float, margin_mm: float) -> int:
    """Copies of one part that stand side by side on a plate, each a box that may turn by 90 degrees.

    size_mm, build_mm : x, y, z of part and build [mm]
    gap_mm : between parts [mm]; margin_mm : along the plate's rim [mm]

    The best of grids, of grids on both sides of a cut, and of the five blocks of a pinwheel (four around one):
    never fewer than a plain grid.

    >>> copies_on_plate((30, 20, 10), (80, 50, 100), gap_mm=0, margin_mm=0)
    6
    """
    if size_mm[2] > build_mm[2] + 1e-9:
        return 0
    part = (whole_um(size_mm[0] + gap_mm), whole_um(size_mm[1] + gap_mm))
    room = tuple(whole_um(build_mm[i] - 2 * margin_mm + gap_mm, up=False) for i in (0, 1))
    long, short = max(part), min(part)
    most = _most(room[0], room[1], long, short, _DEPTH)
    if min(room) <= 0 or most == (room[0] * room[1]) // (long * short):
        return most
    return max(most, _pinwheel(room[0], room[1], long, short))


def whole_um(length_mm: float, up: bool = True) -> int:
    """Micrometres, rounded so that what fits on paper fits here."""
    return int(np.ceil(length_mm * 1000 - 1e-3)) if up else int(np.floor(length_mm * 1000 + 1e-3))


@lru_cache(maxsize=200_000)
def _most(x: int, y: int, a: int, b: int, depth: int) -> int:
    """Boxes a x b (or b x a) in a room x times y."""
    if min(x, y) < b or max(x, y) < a:
        return 0
    best = max((x // a) * (y // b), (x // b) * (y // a))
    bound = (x * y) // (a * b)
    if depth == 0 or best == bound:
        return best
    if depth == 1:
        along_x, along_y = np.array(_cuts(x, a, b), np.int64), np.array(_cuts(y, a, b), np.int64)
        parted_x = _grid(along_x, y, a, b) + _grid(x - along_x, y, a, b)
        parted_y = _grid(x, along_y, a, b) + _grid(x, y - along_y, a, b)
        return max(best, int(parted_x.max(initial=0)), int(parted_y.max(initial=0)))
    for at in _cuts(x, a, b):
        best = max(best, _most(at, y, a, b, depth - 1) + _most(x - at, y, a, b, depth - 1))
    for at in _cuts(y, a, b):
        best = max(best, _most(x, at, a, b, depth - 1) + _most(x, y - at, a, b, depth - 1))
    return best


def _pinwheel(x: int, y: int, a: int, b: int) -> int:
    """Four blocks around a fifth, each a grid: what no straight cut can part."""
    x1, x2 = (cut[:, None] for cut in _pairs(_cuts(x, a, b, _PINWHEEL_CUTS)))
    y1, y2 = _pairs(_cuts(y, a, b, _PINWHEEL_CUTS))
    blocks = ((x1, y2), (x - x1, y1), (x - x2, y - y1), (x2, y - y2), (x2 - x1, y2 - y1))
    held = [_grid(wide, high, a, b) for wide, high in blocks]
    return int(np.sum(held, axis=0).max(initial=0))


def _pairs(cuts: tuple[int, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Every two of some cuts, the lower first."""
    one, two = np.triu_indices(len(cuts))
    at = np.array(cuts, np.int64)
    return at[one], at[two]


def _grid(x: np.ndarray | int, y: np.ndarray | int, a: int, b: int) -> np.ndarray:
    return np.maximum((x // a) * (y // b), (x // b) * (y // a))


@lru_cache(maxsize=20_000)
def _cuts(length: int, a: int, b: int, most: int = _CUTS) -> tuple[int, ...]:
    """Sums i a + j b that leave room on both sides of the cut; an even choice of them where they are many."""
    sums = {i * a + j * b for i in range(min(length // a, 30) + 1) for j in range(min((length - i * a) // b, 30) + 1)}
    inside = sorted(at for at in sums if 0 < at < length)
    if len(inside) <= most:
        return tuple(inside)
    return tuple(inside[round(i * (len(inside) - 1) / (most - 1))] for i in range(most))


def copies_in_cake(
    size_mm: Sequence[float],
    volume_mm3: float,
    build_mm: Sequence[float],
    gap_mm: float,
    wall_mm: float,
    packing_limit: float,
) -> int:
    """Copies of one part in a powder cake: layers of boxes as it is posed, and never denser than the limit.

    size_mm, build_mm : x, y, z of part and build [mm]
    volume_mm3 : of one part [mm3]
    gap_mm : powder between parts; wall_mm : powder left at all sides [mm]
    packing_limit : greatest share of the cake that parts may fill, 0 .. 1

    >>> copies_in_cake((20, 20, 20), 8000.0, (120, 120, 120), gap_mm=5, wall_mm=10, packing_limit=1.0)
    64
    """
    layers = int((build_mm[2] - 2 * wall_mm + gap_mm + 1e-6) // (size_mm[2] + gap_mm))
    most = layers * copies_on_plate(size_mm, build_mm, gap_mm, wall_mm) if layers > 0 else 0
    cake_mm3 = float(np.prod(np.maximum(np.asarray(build_mm, float) - 2 * wall_mm, 0.0)))
    return min(most, int(packing_limit * cake_mm3 / volume_mm3 + 1e-9))
