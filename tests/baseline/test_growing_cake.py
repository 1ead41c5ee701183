"""A powder cake that grows while it cools, by finite differences: what the closed form must not undercut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from default_shop import SHOP, minutes

from calib.baseline.heat import cake_cooling_s

K, RHO_C, FILM, THETA = 0.1, 450.0 * 2100.0, 8.0, (50.0 - 22.0) / (172.0 - 22.0)
CELLS = 11  # across half the bed


def cooling_h(side_m: float, height_m: float, printing_h: float, insulated: bool) -> float:
    """Hours from the end of printing until no point is warmer than THETA; air at 0, bed at 1, explicit differences.

    A quarter of a square bed; layers are added hot, the newest is kept hot; sides lose heat all the time, the top once
    printing has ended, the bottom where it is not insulated.
    """
    dx = side_m / 2 / CELLS
    cells = max(round(height_m / dx), 4)
    dz = height_m / cells
    dt = 0.9 * RHO_C / K / (2 * (2 / dx**2 + 1 / dz**2))
    side, end = (1 / (1 / FILM + step / 2 / K) for step in (dx, dz))
    cake = np.zeros((CELLS, CELLS, cells))

    def flows(t, top_open):
        gain = np.zeros_like(t)
        for axis, step in ((0, dx), (1, dx), (2, dz)):
            if t.shape[axis] > 1:
                flow = np.diff(t, axis=axis) * K / step**2
                low, high = [slice(None)] * 3, [slice(None)] * 3
                low[axis], high[axis] = slice(None, -1), slice(1, None)
                gain[tuple(low)] += flow
                gain[tuple(high)] -= flow
        gain[-1] -= side * t[-1] / dx
        gain[:, -1] -= side * t[:, -1] / dx
        if not insulated:
            gain[:, :, 0] -= end * t[:, :, 0] / dz
        if top_open:
            gain[:, :, -1] -= end * t[:, :, -1] / dz
        return gain * dt / RHO_C

    steps, grown = int(printing_h * 3600 / dt), 0
    for step in range(steps):
        now = min(cells, step * cells // steps + 1)
        cake[:, :, grown:now] = 1.0
        grown = now
        cake[:, :, :grown] += flows(cake[:, :, :grown], False)
        cake[:, :, grown - 1] = 1.0
    if not steps:
        cake[:] = 1.0
    seconds = 0.0
    while cake.max() > THETA:
        cake += flows(cake, True)
        seconds += dt
    return seconds / 3600


@pytest.mark.parametrize("insulated", [True, False])
@pytest.mark.parametrize(("side_m", "height_m"), [(0.165, 0.06), (0.165, 0.3), (0.3, 0.1)])
def test_a_cake_that_was_there_at_once_cools_as_the_series_says(side_m, height_m, insulated):
    height = height_m * (2 if insulated else 1)  # an insulated face is a plane of symmetry
    series = float(cake_cooling_s(THETA, np.array([[side_m, side_m, height]]), K / RHO_C, K, FILM)[0]) / 3600
    assert cooling_h(side_m, height_m, 0.0, insulated) == pytest.approx(series, rel=0.02)


@pytest.mark.parametrize("insulated", [1, 0])
@pytest.mark.parametrize("printing_h", [5, 149])
@pytest.mark.parametrize(("side_mm", "height_mm"), [(165, 300), (300, 100), (165, 60)])
def test_no_print_is_so_long_that_its_last_layers_are_cold(side_mm, height_mm, printing_h, insulated):
    """The baseline is never below the growing cake, and never more than 2.5 times as long."""
    machine = SHOP.machines["pbf1"]
    layer_s = printing_h * 3600.0 / (height_mm / 0.1)
    own = {
        "insulated_bottom": insulated, "blank_first_mm": 0.0, "blank_last_mm": 0.0, "film_w_m2_k": FILM, "ambient_c": 22.0,
        "cool_least_min": 0.0, "layer_mm": 0.1, "recoat_s": layer_s, "layer_heat_s": 0.0,
    }  # fmt: skip
    bed = replace(machine, build_mm=(side_mm, side_mm, 400.0), params={**machine.params, **own})
    powder = replace(
        SHOP.materials["pa12"],
        params={**SHOP.materials["pa12"].params, "powder_bed_c": 172.0, "open_c": 50.0, "heat_j_kg_k": 2100.0},
        floors={},
    )
    shop = replace(SHOP, machines={"pbf1": bed}, materials={"pa12": powder})
    cake_cm3 = side_mm**2 * height_mm / 1000.0
    planned_h = minutes(
        shop, process="PBF", material="pa12", parts=1.0, part_volume_cm3=0.001, part_area_cm2=0.1,
        height_mm=float(height_mm), packed_volume_cm3=cake_cm3,
    )["cool_down"] / 60.0  # fmt: skip
    grown = cooling_h(side_mm / 1000.0, height_mm / 1000.0, printing_h, bool(insulated))
    assert grown <= planned_h <= 2.5 * grown
