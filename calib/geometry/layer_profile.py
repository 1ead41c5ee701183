"""Triangles in one pose -> what each layer looks like."""

from __future__ import annotations

import numpy as np

from calib.errors import MeshError
from calib.geometry.sweep import Crossings, planes_under, sweep
from calib.geometry.topology import edge_mates, vertex_ids
from calib.records import LayerProfile

MAX_LAYERS = 200_000
CORNER_DEG = 20.0  # a path that turns by more has a corner, by less it is a curve
STRAIGHT_DEG = 0.1  # pieces that turn by less are one straight piece


def layer_profile(
    triangles: np.ndarray,
    layer_mm: float,
    angles_deg: tuple[float, ...] = (45.0, 135.0),
    mates: np.ndarray | None = None,
) -> LayerProfile:
    r"""Area, perimeter, contours, pieces, corners, skins and fill lines of every layer, in one sweep.

    .. math::
        A = \frac{1}{2} \sum (x_1 y_2 - x_2 y_1), \quad P = \sum |e|, \quad W_\theta = \frac{1}{2} \sum |e \cdot n|

    over the straight pieces e = (x1, y1) -> (x2, y2) of a section, n the normal of lines at angle theta. Upward skin
    of a layer is the upward-facing surface, projected, between its cut and the next; downward skin that between its
    cut and the last one: what the next does not cover and the last does not carry, exact where no two surfaces lie
    one over the other within a layer.

    Parameters
    ----------
    triangles : shape (n, 3, 3), closed, turned outwards, in the pose to build [mm]
    layer_mm : layer thickness, > 0 [mm]
    angles_deg : directions of fill lines [deg]
    mates : shape (3 n,), ``topology.edge_mates`` of the triangles where known already

    Returns
    -------
    Layers 0, 1, ... cut at lowest point + (i + 1/2) layer, as many as have their cut below the highest point. A part
    thinner than half a layer is one layer, cut at half its height.

    Raises
    ------
    MeshError
        When there is no triangle, no height, or more than 200,000 layers.
    """
    bottom, height = _extent(triangles, layer_mm)
    count = max(1, int(np.ceil(height / layer_mm - 0.5 - 1e-9)))
    first = bottom + (0.5 * layer_mm if height > 0.5 * layer_mm else 0.5 * height)
    if mates is None:
        mates = edge_mates(vertex_ids(triangles))
    under = planes_under(triangles[:, :, 2], first, layer_mm, count)
    sums = _sums_over_pieces(triangles, under, mates, first, layer_mm, count, angles_deg)
    corners, pieces = _turns(triangles, under, mates, count)
    return LayerProfile(
        layer_mm=float(layer_mm),
        z_mm=first - bottom + layer_mm * np.arange(count),
        area_mm2=sums["area"],
        perimeter_mm=sums["perimeter"],
        contours=sums["contours"],
        segments=pieces,
        corners=corners,
        up_skin_mm2=sums["up"],
        down_skin_mm2=sums["down"],
        angles_deg=np.asarray(angles_deg, float),
        line_width_mm=sums["width"],
    )


def _extent(triangles: np.ndarray, layer_mm: float) -> tuple[float, float]:
    if not layer_mm > 0:
        raise MeshError(f"a layer of {layer_mm} mm cannot be built.", "Give a layer thickness above 0 mm.")
    if len(triangles) == 0:
        raise MeshError("The part has no triangle: there is nothing to cut into layers.")
    bottom, top = float(triangles[:, :, 2].min()), float(triangles[:, :, 2].max())
    if not top > bottom:
        raise MeshError("The part is flat: it has no height in this pose, so it has no layers.")
    if (top - bottom) / layer_mm > MAX_LAYERS:
        raise MeshError(
            f"{top - bottom:g} mm in layers of {layer_mm:g} mm are more than {MAX_LAYERS} layers.",
            "Check the part's unit (--unit) and the layer thickness.",
        )
    return bottom, top - bottom


def _sums_over_pieces(
    triangles: np.ndarray, under: np.ndarray, mates: np.ndarray, first: float, step: float, count: int,
    angles_deg: tuple[float, ...],
) -> dict[str, np.ndarray]:  # fmt: skip
    """Everything that adds up over the pieces of a layer, by layer."""
    middle = triangles.reshape(-1, 3)[:, :2].mean(axis=0)  # areas are reckoned about it: fewer digits lost
    normals = [np.array([-np.sin(angle), np.cos(angle)]) for angle in np.deg2rad(angles_deg)]
    upward = _upward_area(triangles)
    sums = {name: np.zeros(count) for name in ("area", "perimeter", "contours")}
    sums["width"] = np.zeros((count, len(normals)))
    passed = {True: np.zeros(count + 1), False: np.zeros(count + 1)}  # projected area under each plane: up, down
    for cut in sweep(triangles, first, step, count):
        low, high = int(cut.plane.min(initial=count)), int(cut.plane.max(initial=-1)) + 1
        at, size = cut.plane - low, high - low
        if size <= 0:
            continue
        (x1, y1), (x2, y2) = cut.start - middle[:, None], cut.end - middle[:, None]
        sums["area"][low:high] += np.bincount(at, 0.5 * (x1 * y2 - x2 * y1), size)
        dx, dy = x2 - x1, y2 - y1
        sums["perimeter"][low:high] += np.bincount(at, np.hypot(dx, dy), size)
        for i, (nx, ny) in enumerate(normals):
            sums["width"][low:high, i] += np.bincount(at, 0.5 * np.abs(nx * dx + ny * dy), size)
        sums["contours"][low:high] += _loops(cut, mates, at, size)
        signed = _upward_area_under(triangles, upward, cut)
        passed[True][low:high] += np.bincount(at, np.maximum(signed, 0), size)
        passed[False][low:high] += np.bincount(at, np.maximum(-signed, 0), size)
    top = under.max(axis=1)
    for faces_up, sign in ((True, 1.0), (False, -1.0)):
        whole = np.bincount(top, np.maximum(sign * upward, 0), count + 1)
        passed[faces_up] += np.cumsum(whole)
    sums["up"] = np.maximum(np.diff(passed[True]), 0)
    sums["down"] = np.maximum(np.diff(passed[False], prepend=0)[:count], 0)
    sums["contours"] = sums["contours"].astype(np.int64)
    return sums


def _upward_area(triangles: np.ndarray) -> np.ndarray:
    """Area of each triangle as seen from above, negative where it faces down; shape (n,) [mm2]."""
    (ax, ay), (bx, by) = ((triangles[:, i, :2] - triangles[:, 0, :2]).T for i in (1, 2))
    return 0.5 * (ax * by - ay * bx)


def _upward_area_under(triangles: np.ndarray, upward: np.ndarray, cut: Crossings) -> np.ndarray:
    """That part of it which lies under the plane of each piece; shape (m,) [mm2]."""
    corner = triangles[cut.face, cut.lone, :2].T
    (ax, ay), (bx, by) = cut.start - corner, cut.end - corner
    whole = upward[cut.face]
    small = np.copysign(np.minimum(0.5 * np.abs(ax * by - ay * bx), np.abs(whole)), whole)
    return np.where(cut.below, small, whole - small)


def _loops(cut: Crossings, mates: np.ndarray, at: np.ndarray, size: int) -> np.ndarray:
    """Closed loops in each plane: cycles of the walk from each piece to the next across the mate of its edge."""
    following = _next_piece(cut, mates)
    smallest = np.arange(len(following))
    while True:  # smallest number within 1, 2, 4 ... steps ahead, until it no longer falls
        lower = np.minimum(smallest, smallest[following])
        if np.array_equal(lower, smallest):
            break
        smallest, following = lower, following[following]
    heads = smallest == np.arange(len(smallest))
    return np.bincount(at[heads], minlength=size)


def _next_piece(cut: Crossings, mates: np.ndarray) -> np.ndarray:
    """For each piece the one that begins where it ends (itself on an open edge)."""
    leaving = 3 * cut.face + np.where(cut.below, cut.lone, (cut.lone + 2) % 3)
    mate = mates[leaving]
    runs = np.flatnonzero(np.diff(cut.face, prepend=-1) | np.diff(cut.below, prepend=False))
    offset = np.full((2, len(mates) // 3), 0)
    offset[cut.below[runs].astype(int), cut.face[runs]] = runs - cut.plane[runs]
    upper = np.full(len(mates) // 3, np.iinfo(np.int64).max)  # first plane of the upper run of each face
    above = runs[~cut.below[runs]]
    upper[cut.face[above]] = cut.plane[above]
    face = np.where(mate >= 0, mate // 3, cut.face)
    return offset[(cut.plane < upper[face]).astype(int), face] + cut.plane


def _turns(triangles: np.ndarray, under: np.ndarray, mates: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Corners and straight pieces in each layer: a section turns at an edge by the angle between its faces' walls."""
    edge = np.flatnonzero(mates > np.arange(len(mates)))
    levels = under.reshape(-1)
    start, end = levels[edge], levels[3 * (edge // 3) + (edge + 1) % 3]
    edge, start, end = (x[start != end] for x in (edge, start, end))
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])[:, :2]
    (ax, ay), (bx, by) = normal[edge // 3].T, normal[mates[edge] // 3].T
    turn = np.abs(np.arctan2(ax * by - ay * bx, ax * bx + ay * by))
    counts = []
    for least in (CORNER_DEG, STRAIGHT_DEG):
        turned = turn > np.deg2rad(least)
        change = np.bincount(np.minimum(start, end)[turned], minlength=count + 1)
        change -= np.bincount(np.maximum(start, end)[turned], minlength=count + 1)
        counts.append(np.cumsum(change)[:count])
    return counts[0], counts[1]
