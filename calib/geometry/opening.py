"""The narrowest section of a hole through a wall, on the mesh itself."""

from __future__ import annotations

import numpy as np

from calib.geometry.sweep import Cuts, sweep

RAYS = 180
PLANES = 24
TILTS = (0.3, 0.1, 0.03)
NEAR_MM = 15.0  # triangles farther than this, beyond the reach and five widths, are not looked at

_WAYS = np.array(
    [(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (0, 1) if z or y > 0 or (x > 0 and y == 0)]
)
_WAYS = _WAYS / np.linalg.norm(_WAYS, axis=1)[:, None]  # 13 directions, evenly around

Section = tuple[float, float, np.ndarray]  # area [mm2], least width [mm], middle [mm]


def narrowest(
    triangles: np.ndarray, at_mm: np.ndarray, along: np.ndarray, reach_mm: float, width_mm: float
) -> Section | None:
    """Area, least width and middle of the narrowest section of a hole [mm2], [mm]; None where no section is closed around it.

    triangles : shape (n, 3, 3) [mm]
    at_mm, along : shape (3,), a point near the hole's axis, and about its direction
    reach_mm : sections are tried as far before and behind the point
    width_mm : about the hole's width

    Exact where the hole is seen whole from the middle of its narrowest section.
    """
    room = NEAR_MM + reach_mm + 5.0 * width_mm
    low, high = triangles.min(axis=1) - at_mm, triangles.max(axis=1) - at_mm
    near = triangles[((low < room) & (high > -room)).all(axis=1)]

    def section(middle: np.ndarray, way: np.ndarray) -> Section | None:
        """As ``_section``, unless it lies elsewhere: across a corner of the hollow, or another hole."""
        cut = _section(near, middle, way, reach_mm)
        return cut if cut is not None and np.linalg.norm(cut[2] - at_mm) <= width_mm + 0.5 * reach_mm else None

    best = section(at_mm, along)
    if best is None:  # the direction is too far off for a thin wall
        closed = [(cut, way) for way in _WAYS if (cut := section(at_mm, way)) is not None]
        if not closed:
            return None
        best, along = min(closed, key=lambda pair: pair[0][0])
    for tilt in TILTS:
        for turn in (0.0, 0.5, 1.0, 1.5):
            side = _across(along)
            way = along + tilt * (np.cos(np.pi * turn) * side[0] + np.sin(np.pi * turn) * side[1])
            way /= np.linalg.norm(way)
            narrower = section(best[2], way)
            if narrower is not None and narrower[0] < best[0]:
                best, along = narrower, way
    return best


def _across(along: np.ndarray) -> np.ndarray:
    """Two directions across one, shape (2, 3)."""
    across = np.cross(along, np.eye(3)[np.argmin(np.abs(along))])
    across /= np.linalg.norm(across)
    return np.array([across, np.cross(along, across)])


def _section(triangles: np.ndarray, at_mm: np.ndarray, along: np.ndarray, reach_mm: float) -> Section | None:
    """The smallest of the sections across a direction that are closed around the axis through a point."""
    turn = np.array([*_across(along), along])
    turned = (triangles - at_mm) @ turn.T
    first, step = -reach_mm, 2.0 * reach_mm / (PLANES - 1)
    enters, leaves = np.full((2, PLANES, RAYS), np.inf)
    angle = 2.0 * np.pi * (np.arange(RAYS) + 0.13) / RAYS
    rays = np.array([np.cos(angle), np.sin(angle)])
    for cut in sweep(turned, first, step, PLANES):
        _shorten(enters, leaves, rays, cut)
    closed, distance = (enters < leaves).all(axis=1) & np.isfinite(enters).all(axis=1), enters
    if not closed.any():
        return None
    following = np.roll(distance, -1, axis=1)
    wedges = 0.5 * np.sin(2.0 * np.pi / RAYS) * distance * following
    areas = wedges.sum(axis=1)
    best = int(np.argmin(np.where(closed, areas, np.inf)))
    corners = rays * distance[best]
    middle = (wedges[best] * (corners + np.roll(corners, -1, axis=1))).sum(axis=1) / 3.0 / areas[best]
    widths = distance[best, : RAYS // 2] + distance[best, RAYS // 2 :]
    return float(areas[best]), float(widths.min()), at_mm + np.array([*middle, first + best * step]) @ turn


def _shorten(enters: np.ndarray, leaves: np.ndarray, rays: np.ndarray, cut: Cuts) -> None:
    """Distances along rays from the middle to where they first enter and leave the solid, shape (planes, rays)."""
    (c, s), (x1, x2), (y1, y2) = rays, cut.ends(0), cut.ends(1)
    v1, v2 = np.outer(y1, c) - np.outer(x1, s), np.outer(y2, c) - np.outer(x2, s)
    piece, ray = np.nonzero((v1 >= 0) != (v2 >= 0))
    share = v1[piece, ray] / (v1[piece, ray] - v2[piece, ray])
    x, y = x1[piece] + share * (x2 - x1)[piece], y1[piece] + share * (y2 - y1)[piece]
    along = c[ray] * x + s[ray] * y
    into = v1[piece, ray] >= 0  # the solid lies on the left of a piece
    for nearest, these in ((enters, (along > 0) & into), (leaves, (along > 0) & ~into)):
        np.minimum.at(nearest, (cut.plane[piece][these], ray[these]), along[these])
