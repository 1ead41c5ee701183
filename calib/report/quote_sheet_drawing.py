"""The part in three views, as an engineer lays them out, with its overall sizes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from calib.documents.quote import View

ROOM_W, ROOM_H = 400.0, 300.0  # for the views themselves [px]
GAP, EDGE = 34.0, 46.0  # between views, and around them for sizes and names [px]
NAME = 140.0  # room for a view's name [px]


def drawing(views: Mapping[str, View]) -> dict[str, Any]:
    """Front, side to its right, top above it (third angle), to one scale; each view a path, each size a dimension.

    views : of the quote's ``drawing``: front, side and top with lines, width_mm and height_mm
    """
    front, side, top = views["front"], views["side"], views["top"]
    wide, high = front["width_mm"] + side["width_mm"], front["height_mm"] + top["height_mm"]
    scale = min((ROOM_W - GAP) / max(wide, 1e-9), (ROOM_H - GAP) / max(high, 1e-9))
    width, depth, height = (length * scale for length in (front["width_mm"], side["width_mm"], front["height_mm"]))
    upper, right = EDGE / 2 + top["height_mm"] * scale + GAP, EDGE + max(width + GAP, NAME)
    lower = upper + height
    placed = [
        _placed("from above", top, EDGE, EDGE / 2, scale),
        _placed("from the front", front, EDGE, upper, scale),
        _placed("from the right", side, right, upper, scale),
    ]
    sizes = [
        _across(EDGE, EDGE + width, lower + 16, front["width_mm"]),
        _across(right, right + depth, lower + 16, side["width_mm"]),
        _upright(upper, lower, EDGE - 16, front["height_mm"]),
    ]
    return {
        "views": placed,
        "sizes": sizes,
        "width": right + max(depth + EDGE / 2, NAME),
        "height": lower + EDGE,
        "told": f"{front['width_mm']:.1f} × {side['width_mm']:.1f} × {front['height_mm']:.1f} mm (wide, deep, high)",
    }


def _placed(name: str, view: View, left: float, above: float, scale: float) -> dict[str, Any]:
    foot = above + view["height_mm"] * scale
    return {"name": name, "x": left, "y": above - 5, "path": _path(view["lines"], left, foot, scale)}


def _path(lines: Sequence[Any], left: float, foot: float, scale: float) -> str:
    return "".join(
        f"M{left + x1 * scale:.1f} {foot - y1 * scale:.1f}L{left + x2 * scale:.1f} {foot - y2 * scale:.1f}"
        for (x1, y1), (x2, y2) in lines
    )


def _across(left: float, right: float, y: float, mm: float) -> dict[str, Any]:
    ends = f"M{left:.1f} {y - 5:.1f}v10M{right:.1f} {y - 5:.1f}v10M{left:.1f} {y:.1f}H{right:.1f}"
    return {"path": ends, "x": (left + right) / 2, "y": y + 14, "turn": 0, "text": f"{mm:.1f}"}


def _upright(above: float, below: float, x: float, mm: float) -> dict[str, Any]:
    ends = f"M{x - 5:.1f} {above:.1f}h10M{x - 5:.1f} {below:.1f}h10M{x:.1f} {above:.1f}V{below:.1f}"
    return {"path": ends, "x": x - 7, "y": (above + below) / 2, "turn": -90, "text": f"{mm:.1f}"}
