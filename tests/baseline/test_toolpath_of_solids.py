"""Printing minutes of boxes against a path laid line by line: offsets and clipping by a polygon library.

Independent of the baseline are the geometry (walls as offsets of the section, fill as lines clipped by what is left)
and the motion (every move with look-ahead, ``baseline.path``, which has its own checks by hand and by integration).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import shapely
from default_shop import box, columns
from shapely import affinity

from calib.baseline.build import explain
from calib.baseline.motion import bead_section_mm2
from calib.baseline.path import path_time
from calib.geometry.layer_profile import layer_profile
from calib.geometry.read_path import read_path
from calib.shop.patch import patched
from calib.shop.template import shop_text

LAYER, WALLS, SKINS = 0.2, 3, 4
SPACING = float(bead_section_mm2(0.44, LAYER)) / LAYER
SETTINGS = {
    "walls": WALLS, "skin_layers": SKINS, "wall_speed_mm_s": 60, "fill_speed_mm_s": 100, "first_layer_speed_mm_s": 30,
    "travel_speed_mm_s": 150, "acceleration_mm_s2": 1500, "corner_speed_mm_s": 8, "retraction_s": 0, "layer_change_s": 0,
    "least_layer_s": 0, "start_sequence_min": 0,
}  # fmt: skip


class Layer:
    """Moves of a layer; E counts what each lays."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def go(self, point) -> None:
        self.lines.append(f"G0 X{point[0]:.4f} Y{point[1]:.4f} F{150 * 60}")

    def lay(self, points, speed) -> None:
        self.lines += [f"G1 X{x:.4f} Y{y:.4f} E1.0 F{speed * 60}" for x, y in points]


@cache
def layer_of(x: float, y: float, odd: bool, first: bool, solid: bool, infill: float) -> str:
    section, nozzle = shapely.box(0, 0, x, y), Layer()
    for wall in range(WALLS):
        ring = section.buffer(-(wall + 0.5) * SPACING, join_style="mitre").exterior.coords
        nozzle.go(ring[0])
        nozzle.lay(ring[1:], 30 if first else 60)
    inside = section.buffer(-(WALLS + 0.5) * SPACING, join_style="mitre")  # lines turn within their own width
    pitch = SPACING / (1.0 if solid else infill)
    turned = affinity.rotate(inside, 45 if odd else -45, origin=(0, 0))
    low_x, low_y, high_x, high_y = turned.bounds
    rows = np.arange(low_y + pitch / 2, high_y, pitch)
    forwards = True
    for place, y in enumerate(rows):
        cut = turned.intersection(shapely.LineString([(low_x - 1, y), (high_x + 1, y)]))
        for line in getattr(cut, "geoms", [cut]):
            if line.is_empty:
                continue
            ends = affinity.rotate(line, -45 if odd else 45, origin=(0, 0)).coords[:: 1 if forwards else -1]
            if place == 0:
                nozzle.go(ends[0])
            nozzle.lay(ends, 30 if first else 100)
            forwards = not forwards
    return "\n".join(nozzle.lines)


def path_of(x: float, y: float, z: float, infill: float) -> str:
    lines, count = ["G21", "G90", "M83"], round(z / LAYER)  # E relative: each layer is the same text
    for number in range(count):
        is_solid = infill == 1.0 or number < SKINS or number >= count - SKINS
        lines.append(f"G0 Z{(number + 1) * LAYER:.2f} F{150 * 60}")
        lines.append(layer_of(x, y, bool(number % 2), number == 0, is_solid, infill))
    return "\n".join(lines)


@pytest.mark.outside("shapely (GEOS): walls as offsets, fill as clipped lines", "run")
@pytest.mark.parametrize("infill", [0.2, 1.0])
@pytest.mark.parametrize("size", [(20, 20, 20), (80, 60, 3), (100, 10, 30), (50, 40, 12)])
def test_a_box_prints_as_long_as_its_own_path(tmp_path, size, infill):
    stated = "\n".join(f"{name} = {value}" for name, value in SETTINGS.items())
    shop = patched(shop_text("UTC"), f'[[machine]]\nid = "mex1"\n{stated}\n')
    path = tmp_path / "box.nc"
    path.write_text(path_of(*size, infill))
    laid_line_by_line = path_time(read_path(path), shop.machines["mex1"].params).printing_min
    known = columns(process="MEX", machine="mex1", parts=1.0, profile=[layer_profile(box(*size), LAYER)], infill=infill,
                    support_volume_cm3=0.0)  # fmt: skip
    ours = sum(term.minutes for term in explain(known, shop) if term.stage == "printing")
    assert ours == pytest.approx(laid_line_by_line, rel=0.05)
