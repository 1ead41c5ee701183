"""Hollows run empty by Torricelli's law where the resin is thin, by Sampson's where it is thick."""

import numpy as np
import pytest
from default_shop import minutes
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from calib.baseline.bench import DISCHARGE, draining_min

FT, INCH = 304.8, 25.4


def drained(volume_cm3, opening_mm, opening_mm2=None, viscosity_pa_s=0.5):
    area = np.pi / 4 * opening_mm**2 if opening_mm2 is None else opening_mm2
    return float(draining_min(*map(np.array, (volume_cm3, opening_mm, area, viscosity_pa_s, 1.15))))


@pytest.mark.outside("Cengel and Cimbala, Fluid Mechanics: discharge of water from a tank", "from memory")
def test_a_textbook_tank_falls_from_4_to_2_feet_in_757_s():
    # Cengel and Cimbala, "Fluid Mechanics", discharge of water from a tank, from memory: 3 ft wide, jet of 0.5 in, no
    # losses: 757 s. A cube of side h empties in the same time as that tank from h, times (h^2 / base of the tank).
    base, opening = np.pi / 4 * (3 * FT) ** 2, 0.5 * INCH
    bores = 100  # so that two hours are enough
    times = [
        60 * bores * base / (h * FT) ** 2 * drained((h * FT) ** 3 / 1000, opening, bores * np.pi / 4 * opening**2, 0.0)
        for h in (4, 2)
    ]
    assert DISCHARGE * (times[0] - times[1]) == pytest.approx(
        757, abs=0.7
    )  # the book's digits, and its g of 32.2 ft/s2


@pytest.mark.outside("Kirchhoff 1869: contraction of a jet from a sharp-edged slot, pi / (pi + 2)", "from memory")
def test_the_discharge_of_a_sharp_edge_is_that_of_a_free_streamline():
    assert pytest.approx(np.pi / (np.pi + 2), abs=0.005) == DISCHARGE


@pytest.mark.parametrize(("width", "viscosity", "left"), [(4.0, 1e-5, 0.0), (1.0, 2.0, 0.018), (3.0, 0.5, None)])
def test_the_time_is_that_of_a_falling_level(width, viscosity, left):
    # integrated by a library: level h over base B, flow from rho g h = rho/2 (q / C a)^2 + 24 mu q / w^3
    side, w = 0.02, width / 1000
    bore, rho = np.pi / 4 * w**2, 1150.0

    def falling(_, h):
        a, b, c = 0.5 * rho / (DISCHARGE * bore) ** 2, 24 * viscosity / w**3, rho * 9.81 * np.maximum(h, 0)
        return -2 * c / (b + np.sqrt(b * b + 4 * a * c)) / side**2

    seconds = 60 * drained(side**3 * 1e6, width, viscosity_pa_s=viscosity)
    level = solve_ivp(falling, (0, seconds), [side], rtol=1e-8, atol=1e-12).y[0, -1] / side
    assert 0 <= level < 0.02
    if left is not None:
        assert level == pytest.approx(left, abs=2e-3)


@given(
    volume=st.floats(0.1, 500), width=st.floats(0.3, 10), area=st.floats(1, 20), viscosity=st.floats(0.05, 5),
    more=st.floats(1, 5),
)  # fmt: skip
def test_more_to_drain_is_never_sooner_and_a_larger_opening_never_later(volume, width, area, viscosity, more):
    area *= np.pi / 4 * width**2
    usual = drained(volume, width, area, viscosity)
    least, most = usual * (1 - 1e-9), usual * (1 + 1e-9)  # but for the last digits
    assert drained(volume * more, width, area, viscosity) >= least
    assert drained(volume, width, area, viscosity * more) >= least
    assert drained(volume, width, area * more, viscosity) <= most
    assert drained(volume, width * more, area, viscosity) <= most


def stage_min(process, stage, **values):
    whole = {"parts": 1.0, "part_volume_cm3": 40.0, "part_area_cm2": 120.0, "height_mm": 50.0, **values}
    return minutes(process=process, **whole)[stage]


def test_draining_and_clearing_powder_go_with_the_hollow_and_its_opening():
    def resin(volume, width, **more):
        area = np.pi / 8 * width**2
        hollow = {"hollow_volume_cm3": volume, "hollow_opening_mm": width}
        drain = {"drain_volume_cm3": volume, "drain_opening_mm": width, "drain_opening_mm2": area}
        return stage_min("VPP", "draining", **hollow, **drain, **more)

    solid = stage_min("VPP", "draining")
    assert solid < resin(5, 3) < resin(50, 3) < resin(50, 2) < resin(50, 2, held_volume_cm3=25.0)
    assert resin(50, 8) - solid < 1.0

    def powder(**columns):
        return stage_min("PBF", "part_cleaning", **columns)

    wide, narrow = ({"hollow_volume_cm3": 50.0, "hollow_opening_mm": width} for width in (20.0, 4.0))
    assert powder() < powder(**wide) < powder(**narrow) < powder(**narrow, narrow_volume_cm3=1.0)
