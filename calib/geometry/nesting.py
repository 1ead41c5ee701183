"""How many copies of one part fit a plate or a powder cake, and how many builds several different parts take."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np

_DEPTH = 2  # cuts within cuts that are tried
_CUTS = 40  # places of a cut that are tried
_PINWHEEL_CUTS = 10
TURNINGS = 16  # tried before a part is refused: as few plates as the best packer tried here


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
    if min(room) <= 0 or most == _bound(room[0], room[1], long, short):
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
    if depth == 0 or best == _bound(x, y, a, b):
        return best
    if depth == 1:
        along_x, along_y = np.array(_cuts(x, a, b), np.int64), np.array(_cuts(y, a, b), np.int64)
        parted_x = _grid(along_x, y, a, b) + _grid(x - along_x, y, a, b)
        parted_y = _grid(x, along_y, a, b) + _grid(x, y - along_y, a, b)
        return max(best, int(parted_x.max(initial=0)), int(parted_y.max(initial=0)))
    for cut in _cuts(x, a, b):
        if _bound(cut, y, a, b) + _bound(x - cut, y, a, b) > best:
            best = max(best, _most(cut, y, a, b, depth - 1) + _most(x - cut, y, a, b, depth - 1))
    for cut in _cuts(y, a, b):
        if _bound(x, cut, a, b) + _bound(x, y - cut, a, b) > best:
            best = max(best, _most(x, cut, a, b, depth - 1) + _most(x, y - cut, a, b, depth - 1))
    return best


def _bound(x: int, y: int, a: int, b: int) -> int:
    """Boxes at most in a room x times y, by the area that sums of their sides can fill of it."""
    return _filled(x, a, b) * _filled(y, a, b) // (a * b)


@lru_cache(maxsize=100_000)
def _filled(length: int, a: int, b: int) -> int:
    """The greatest sum i a + j b up to a length: boxes pushed to one side stand at such sums (Herz 1972, 'Recursive
    computational procedure for two-dimensional stock cutting', IBM Journal of Research and Development 16:462-469; from memory).
    """
    return max(i * a + (length - i * a) // b * b for i in range(length // a + 1))


def _pinwheel(x: int, y: int, a: int, b: int) -> int:
    """Four blocks around a fifth, each a grid: what no straight cut can part."""
    x1, x2 = (cut[:, None] for cut in _pairs(_cuts(x, a, b, _PINWHEEL_CUTS)))
    y1, y2 = _pairs(_cuts(y, a, b, _PINWHEEL_CUTS))
    blocks = ((x1, y2), (x - x1, y1), (x - x2, y - y1), (x2, y - y2), (x2 - x1, y2 - y1))
    held = [_grid(wide, high, a, b) for wide, high in blocks]
    return int(np.sum(held, axis=0).max(initial=0))


def _pairs(cuts: tuple[int, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Every two of some cuts, the lower first."""
    low, high = np.triu_indices(len(cuts))
    place = np.array(cuts, np.int64)
    return place[low], place[high]


def _grid(x: np.ndarray | int, y: np.ndarray | int, a: int, b: int) -> np.ndarray:
    return np.maximum((x // a) * (y // b), (x // b) * (y // a))


@lru_cache(maxsize=20_000)
def _cuts(length: int, a: int, b: int, most: int = _CUTS) -> tuple[int, ...]:
    """Sums i a + j b that leave room on both sides of the cut; an even choice of them where they are many."""
    sums = {i * a + j * b for i in range(min(length // a, 30) + 1) for j in range(min((length - i * a) // b, 30) + 1)}
    inside = sorted(total for total in sums if 0 < total < length)
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


def plates_for(
    sizes_mm: Sequence[Sequence[float]], build_mm: Sequence[float], gap_mm: float, margin_mm: float
) -> list[list[int]]:
    """Several different parts on as few plates as a good packer finds; for each plate the numbers of its parts.

    sizes_mm : x, y, z of every single part [mm]. A part that fits no plate is on none.
    Never more plates than each kind of part by itself would take.
    """
    packed = _packed(sizes_mm, build_mm, gap_mm, margin_mm)
    apart = _each_kind_apart(sizes_mm, lambda size, _: copies_on_plate(size, build_mm, gap_mm, margin_mm))
    return apart if len(apart) < len(packed) else packed


def _each_kind_apart(
    sizes_mm: Sequence[Sequence[float]], copies: Callable[[Sequence[float], int], int]
) -> list[list[int]]:
    """Builds of one kind of part each. copies : size, number of one such part -> how many a build holds."""
    kinds: dict[tuple[float, ...], list[int]] = {}
    for number, size in enumerate(sizes_mm):
        kinds.setdefault(tuple(size), []).append(number)
    builds = []
    for size, numbers in kinds.items():
        most = copies(size, numbers[0])
        builds += [numbers[begin : begin + most] for begin in range(0, len(numbers), most)] if most else []
    return builds


def _packed(
    sizes_mm: Sequence[Sequence[float]], build_mm: Sequence[float], gap_mm: float, margin_mm: float
) -> list[list[int]]:
    """Plates filled one after another: with as many of the largest as go together, then with the smallest beside them."""
    width, depth = (whole_um(build_mm[axis] - 2 * margin_mm + gap_mm, up=False) for axis in (0, 1))
    room = width, depth
    sides = [sorted((whole_um(x + gap_mm), whole_um(y + gap_mm)), reverse=True) for x, y, _ in sizes_mm]
    fit = [
        number
        for number, size in enumerate(sizes_mm)
        if size[2] <= build_mm[2] + 1e-9 and sides[number][0] <= max(room) and sides[number][1] <= min(room)
    ]
    left = sorted(fit, key=lambda number: [-side for side in sides[number]])
    plates = []
    while left:
        plate = _one_plate(left, sides, room)
        plates.append(sorted(plate))
        left = [number for number in left if number not in set(plate)]
    return plates


def _one_plate(left: list[int], sides: Sequence[Sequence[int]], room: tuple[int, int]) -> list[int]:
    """As many of the first of these parts as go together, then every further one that goes beside them."""
    first = _greatest_count(len(left), lambda count: _go_together([sides[n] for n in left[:count]], room))
    plate, refused = left[:first], set()
    for number in left[first:]:
        kind = tuple(sides[number])
        if kind not in refused and _go_together([sides[n] for n in [*plate, number]], room):
            plate.append(number)
        else:
            refused.add(kind)
    return plate


def _greatest_count(count: int, holds: Callable[[int], bool]) -> int:
    """The greatest number up to ``count`` that holds, where fewer hold too; by halving."""
    low, high = 0, count
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if holds(middle) else (low, middle - 1)
    return low


def _go_together(sides: Sequence[Sequence[int]], room: tuple[int, int]) -> bool:
    """Whether rectangles (long, short) fit a room: none to all of them across it, which ones by chance of a fixed seed."""
    if sum(long * short for long, short in sides) > room[0] * room[1]:
        return False
    across = np.random.default_rng(0).random((TURNINGS, len(sides))) < np.linspace(0, 1, TURNINGS)[:, None]
    return any(_packs(_turned(sides, some, room[0]), room) for some in across)


def _turned(sides: Sequence[Sequence[int]], across: np.ndarray, width: int) -> list[tuple[int, int]]:
    both = zip(across, sides, strict=True)
    return [(short, long) if turn or long > width else (long, short) for turn, (long, short) in both]


def _packs(rectangles: list[tuple[int, int]], room: tuple[int, int]) -> bool:
    """Whether the packer finds room for all, filling from the left or from below."""
    from rpack import PackingImpossibleError, pack

    for turned, (width, depth) in ((rectangles, room), ([(y, x) for x, y in rectangles], room[::-1])):
        if all(x <= width and y <= depth for x, y in turned):
            try:
                pack(turned, max_width=width, max_height=depth)
                return True
            except PackingImpossibleError:
                continue
    return False


def cakes_for(
    sizes_mm: Sequence[Sequence[float]], volumes_mm3: Sequence[float], build_mm: Sequence[float],
    gap_mm: float, wall_mm: float, packing_limit: float,
) -> list[list[int]]:  # fmt: skip
    """Several different parts in as few cakes as layers of plates allow; for each cake the numbers of its parts.

    Parts of like height share a layer; layers are stacked, the tallest first, into the first cake with room. Never more
    cakes than each kind of part by itself would take.
    """
    stacked = _stacked(sizes_mm, volumes_mm3, build_mm, gap_mm, wall_mm, packing_limit)
    apart = _each_kind_apart(
        sizes_mm,
        lambda size, number: copies_in_cake(size, volumes_mm3[number], build_mm, gap_mm, wall_mm, packing_limit),
    )
    return apart if len(apart) < len(stacked) else stacked


def _stacked(
    sizes_mm: Sequence[Sequence[float]], volumes_mm3: Sequence[float], build_mm: Sequence[float],
    gap_mm: float, wall_mm: float, packing_limit: float,
) -> list[list[int]]:  # fmt: skip
    order = sorted(range(len(sizes_mm)), key=lambda i: -sizes_mm[i][2])
    layers = [
        [order[i] for i in layer] for layer in plates_for([sizes_mm[i] for i in order], build_mm, gap_mm, wall_mm)
    ]
    limit = packing_limit * float(np.prod(np.maximum(np.asarray(build_mm, float) - 2 * wall_mm, 0.0)))
    cakes: list[list[int]] = []
    left: list[list[float]] = []
    for layer in sorted(layers, key=lambda layer: -max(sizes_mm[i][2] for i in layer)):
        for part in _within_limit(layer, limit, volumes_mm3):
            height, volume = max(sizes_mm[i][2] for i in part) + gap_mm, sum(volumes_mm3[i] for i in part)
            cake = next((n for n, (h, v) in enumerate(left) if h >= height - 1e-9 and v >= volume - 1e-9), None)
            if cake is None:
                cakes.append([])
                left.append([build_mm[2] - 2 * wall_mm + gap_mm, limit])
                cake = len(cakes) - 1
            cakes[cake] += part
            left[cake] = [left[cake][0] - height, left[cake][1] - volume]
    return [sorted(cake) for cake in cakes]


def _within_limit(layer: list[int], limit: float, volumes_mm3: Sequence[float]) -> list[list[int]]:
    """A layer, parted where its parts alone would pass the packing limit."""
    groups: list[list[int]] = [[]]
    for part in layer:
        if groups[-1] and sum(volumes_mm3[i] for i in groups[-1]) + volumes_mm3[part] > limit:
            groups.append([])
        groups[-1].append(part)
    return groups
