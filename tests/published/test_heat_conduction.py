"""Heating and cooling against textbooks, and against an independent numerical solution."""

from __future__ import annotations

import numpy as np
import pytest

from calib.baseline.heat import (
    cake_cooling_s,
    lumped_cooling_s,
    plane_wall,
    plane_wall_roots,
    tabled_cake_cooling_s,
    warm_up_s,
)
from calib.errors import OutsideModelError

# Y. A. Cengel, "Heat and Mass Transfer", table 4-2 (seen): Bi, first root and coefficient of a plane wall.
TABLE_4_2 = [
    (0.01, 0.0998, 1.0017),
    (0.02, 0.141, 1.0033),
    (0.04, 0.1987, 1.0066),
    (0.06, 0.2425, 1.0098),
    (0.08, 0.2791, 1.013),
    (0.1, 0.3111, 1.0161),
    (0.2, 0.4328, 1.0311),
    (0.3, 0.5218, 1.045),
    (0.4, 0.5932, 1.058),
    (0.5, 0.6533, 1.0701),
    (0.6, 0.7051, 1.0814),
    (0.7, 0.7506, 1.0918),
    (0.8, 0.791, 1.1016),
    (0.9, 0.8274, 1.1107),
    (1.0, 0.8603, 1.1191),
    (2, 1.0769, 1.1785),
    (3, 1.1925, 1.2102),
    (4, 1.2646, 1.2287),
    (5, 1.3138, 1.2403),
    (6, 1.3496, 1.2479),
    (7, 1.3766, 1.2532),
    (8, 1.3978, 1.257),
    (9, 1.4149, 1.2598),
    (10, 1.4289, 1.262),
]
# Series with several hundred terms, roots by a root finder of scipy: Bi, Fo, centre, surface (computed independently).
GRID = [
    (0.1, 0.05, 0.9999732828, 0.9752603877),
    (0.1, 0.1, 0.9992225907, 0.9652940802),
    (0.1, 0.2, 0.9939985016, 0.9514198549),
    (0.1, 0.5, 0.9679807460, 0.9217789420),
    (0.1, 1, 0.9223885716, 0.8781264876),
    (0.1, 2, 0.8373261065, 0.7971443856),
    (0.5, 0.05, 0.9998705927, 0.8853652449),
    (0.5, 0.1, 0.9963214079, 0.8438985675),
    (0.5, 0.2, 0.9726004189, 0.7901465525),
    (0.5, 0.5, 0.8641141290, 0.6868819817),
    (0.5, 1, 0.6983832211, 0.5545890732),
    (0.5, 2, 0.4557786097, 0.3619337324),
    (1, 0.05, 0.9997509551, 0.7903767636),
    (1, 0.1, 0.9931082548, 0.7235772387),
    (1, 0.2, 0.9506417785, 0.6433907845),
    (1, 0.5, 0.7725263834, 0.5045219279),
    (1, 1, 0.5338594014, 0.3481768517),
    (1, 2, 0.2546680424, 0.1660905815),
    (5, 0.05, 0.9990463370, 0.3973626244),
    (5, 0.1, 0.9773091062, 0.3087901736),
    (5, 0.2, 0.8648814290, 0.2315331878),
    (5, 0.5, 0.5231090986, 0.1330320509),
    (5, 1, 0.2207206809, 0.0560940238),
    (5, 2, 0.0392805154, 0.0099827580),
    (20, 0.05, 0.9979903827, 0.1232139400),
    (20, 0.1, 0.9609297850, 0.0881269946),
    (20, 0.2, 0.8042807593, 0.0621536220),
    (20, 0.5, 0.4146619014, 0.0309380250),
    (20, 1, 0.1354095924, 0.0101012868),
    (20, 2, 0.0144385595, 0.0010770879),
    (100, 0.05, 0.9971780449, 0.0252061691),
    (100, 0.1, 0.9520936198, 0.0178309967),
    (100, 0.2, 0.7793616382, 0.0124584142),
    (100, 0.5, 0.3798535563, 0.0059074335),
    (100, 1, 0.1133423645, 0.0017625385),
    (100, 2, 0.0100908150, 0.0001569179),
]


@pytest.mark.outside("Cengel, Heat and Mass Transfer, table 4-2", "seen")
@pytest.mark.parametrize(("biot", "root", "coefficient"), TABLE_4_2)
def test_one_term_coefficients(biot, root, coefficient):
    first = plane_wall_roots(biot, 1)[0]
    weight = 4 * np.sin(first) / (2 * first + np.sin(2 * first))
    assert first == pytest.approx(root, abs=6e-5)
    assert weight == pytest.approx(coefficient, abs=6e-5)


@pytest.mark.outside("series of the plane wall by scipy", "independent library")
@pytest.mark.parametrize(("biot", "fourier", "centre", "surface"), GRID)
def test_series_grid(biot, fourier, centre, surface):
    roots = plane_wall_roots(biot)
    assert plane_wall(fourier, roots) == pytest.approx(centre, abs=1e-8)
    assert plane_wall(fourier, roots, 1.0) == pytest.approx(surface, abs=1e-6)


@pytest.mark.outside("Incropera and DeWitt, ex. 5.4", "seen in a solved-example notebook")
def test_plate_in_hot_water_incropera_5_4():
    # F. P. Incropera, D. P. DeWitt, ex. 5.4 (read in a solved-example notebook): insulated face 42.9 C, printed; the
    # exact series gives 43.0175 C and 45.3635 C at the wet face.
    biot, fourier = 500 * 0.04 / 63.9, 18.8e-6 * 480 / 0.04**2
    roots = plane_wall_roots(biot)
    inside, wet = (60 - 80 * plane_wall(fourier, roots, place) for place in (0.0, 1.0))
    assert inside == pytest.approx(42.9, abs=0.2)
    assert inside == pytest.approx(43.0175, abs=1e-3)
    assert wet == pytest.approx(45.3635, abs=1e-3)


@pytest.mark.outside("Cengel, ex. 4-4", "seen in a solved-example notebook")
def test_brass_plate_in_an_oven_cengel_4_4():
    # Cengel ex. 4-4 (notebook): chart 282 C; exact surface 279.584 C.
    biot, fourier = 120 * 0.02 / 110, 33.9e-6 * 420 / 0.02**2
    surface = 500 - 480 * plane_wall(fourier, plane_wall_roots(biot), 1.0)
    assert surface == pytest.approx(282, abs=3)
    assert surface == pytest.approx(279.584, abs=1e-3)


@pytest.mark.outside("Holman, ex. 4-6", "seen in a solved-example notebook")
def test_aluminium_plate_holman_4_6():
    # J. P. Holman, ex. 4-6 (notebook): half way out 147.7 C by chart; exact 150.44 C.
    biot, fourier = 525 * 0.025 / 215, 8.4e-5 * 60 / 0.025**2
    half_way = 70 + 130 * plane_wall(fourier, plane_wall_roots(biot), 0.5)
    assert half_way == pytest.approx(147.7, abs=3)
    assert half_way == pytest.approx(150.44, abs=1e-2)


@pytest.mark.outside("Holman, ex. 4-1", "seen in a solved-example notebook")
def test_steel_ball_holman_4_1():
    # Holman ex. 4-1: 450 to 150 C in 100 C air, d 5 cm, c 460, rho 7800, h 10: 5818 s.
    tau = 7800 * 460 * (0.05 / 6) / 10
    assert lumped_cooling_s(450, 150, 100, tau) == pytest.approx(5818, abs=1)


@pytest.mark.outside("Cengel, ex. 4-1", "seen in a solved-example notebook")
def test_thermocouple_cengel_4_1():
    # Cengel ex. 4-1: D 1 mm, rho 8500, cp 320, h 210: 99 per cent in 10 s (exact 9.9413 s).
    tau = 8500 * 320 * (1e-3 / 6) / 210
    assert lumped_cooling_s(1.0, 0.01, 0.0, tau) == pytest.approx(9.9413, abs=1e-3)


@pytest.mark.outside("Incropera and DeWitt, ex. 5.1", "seen in a solved-example notebook")
def test_thermocouple_incropera_5_1():
    # Incropera ex. 5.1: tau 1 s, 25 to 199 C in gas of 200 C: 5.2 s (exact ln 175).
    assert warm_up_s(25.0, 199.0, 200.0, 1.0) == pytest.approx(5.16479, abs=1e-5)


@pytest.mark.outside("product of three plane-wall series by scipy", "independent library")
def test_synthetic_cake():
    # Product of three plane walls, 200 x 200 x 300 mm, k 0.1, rho 450, cp 2350, h 8, 170 C in 25 C: computed with scipy.
    sides, alpha = np.array([[0.2, 0.2, 0.3]]), 0.1 / (450 * 2350)
    assert cake_cooling_s(0.07377785, sides, alpha, 0.1, 8.0) == pytest.approx([72000.0], rel=1e-6)
    assert cake_cooling_s(25 / 145, sides, alpha, 0.1, 8.0) / 3600 == pytest.approx([14.81829], abs=1e-4)


@pytest.mark.outside("scipy's stiff integrator on 200 cells", "independent library")
def test_slab_against_method_of_lines():
    # An independent library: scipy's stiff integrator on 200 cells, half a slab of 60 mm with a film.
    from scipy.integrate import solve_ivp

    half, k, alpha, film, cells = 0.03, 0.1, 1.1e-7, 8.0, 200
    width = half / cells

    def slope(_, theta):
        flux = np.zeros(cells + 1)
        flux[1:-1] = k * (theta[:-1] - theta[1:]) / width
        flux[-1] = theta[-1] / (1 / film + width / 2 / k)
        return -(flux[1:] - flux[:-1]) * alpha / k / width

    band = solve_ivp(
        slope, (0, 10800), np.ones(cells), method="LSODA", rtol=1e-8, atol=1e-10, t_eval=[1200, 3600, 10800]
    )
    roots = plane_wall_roots(film * half / k)
    for place, seconds in enumerate((1200, 3600, 10800)):
        assert plane_wall(alpha * seconds / half**2, roots) == pytest.approx(band.y[0, place], abs=2e-4)


def test_table_agrees_with_the_series():
    rng = np.random.default_rng(5)
    height = rng.uniform(5.0, 500.0, 200)
    powder = (0.1, 0.24, 450 * 2100.0, 1010 * 2100.0)
    tabled = tabled_cake_cooling_s(height, np.zeros(200), (165.0, 165.0), 0.19, 8.0, powder)
    sides = np.stack([np.full(200, 0.165), np.full(200, 0.165), height / 1000], axis=-1)
    exact = cake_cooling_s(0.19, sides, 0.1 / (450 * 2100.0), 0.1, 8.0)
    assert tabled == pytest.approx(exact, rel=2e-3)


def test_time_goes_with_the_square_of_a_thick_slab():
    # with a film that does not matter (large Bi), twice the thickness takes four times as long
    sides = np.array([[9.0, 9.0, 0.05], [9.0, 9.0, 0.1]])
    thin, thick = cake_cooling_s(0.2, sides, 1e-7, 0.1, 1e6)
    assert thick / thin == pytest.approx(4.0, rel=1e-3)


def test_temperatures_that_are_never_reached():
    with pytest.raises(OutsideModelError, match="never reached"):
        warm_up_s(20.0, 120.0, 120.0, 10.0)
    with pytest.raises(OutsideModelError, match="surroundings"):
        lumped_cooling_s(60.0, 20.0, 22.0, 10.0)
    with pytest.raises(OutsideModelError, match="surroundings"):
        cake_cooling_s(-0.1, np.array([[0.1, 0.1, 0.1]]), 1e-7, 0.1, 8.0)
