"""Warming up, lumped cooling, and the cooling of a powder cake by conduction; seconds and degC."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from calib.errors import OutsideModelError

Numbers = float | np.ndarray
TERMS = 40
SMALL_FOURIER = 1e-3


def warm_up_s(start_c: Numbers, set_c: Numbers, reach_c: Numbers, tau_s: Numbers) -> np.ndarray:
    r"""Time to warm from start to set temperature, towards the one that would be reached in the end.

    .. math::  t = -\tau \ln \frac{T_{max} - T_{set}}{T_{max} - T_0}

    Parameters
    ----------
    start_c, set_c : T0 and Tset [degC]; all arguments broadcast
    reach_c : Tmax, if heated for ever [degC]
    tau_s : time constant, > 0 [s]

    Returns
    -------
    Time, shape of the broadcast arguments, 0 where the start is warm enough [s].

    Raises
    ------
    OutsideModelError
        Where the set temperature is not below Tmax: it would never be reached.

    Examples
    --------
    >>> round(float(warm_up_s(20.0, 60.0, 100.0, 600.0)), 3)
    415.888

    References
    ----------
    First-order heating (lumped capacity): F. P. Incropera, D. P. DeWitt, "Fundamentals of Heat and Mass Transfer",
    sec. 5.1 (from memory).
    """
    start, wanted, reach = (np.asarray(value, float) for value in (start_c, set_c, reach_c))
    if np.any(wanted >= reach):
        raise OutsideModelError(
            f"{np.max(wanted):g} degC is never reached by a heater that ends at {np.min(reach):g} degC.",
            "State a lower temperature for the material, or what the machine really reaches (.._reach_c).",
        )
    seconds: np.ndarray = -tau_s * np.log((reach - np.maximum(wanted, start)) / (reach - start))
    return seconds


def lumped_cooling_s(start_c: Numbers, end_c: Numbers, ambient_c: Numbers, tau_s: Numbers) -> np.ndarray:
    r"""Time for a body of even temperature to cool.

    .. math::  t = \tau \ln \frac{T_0 - T_\infty}{T_1 - T_\infty}, \quad \tau = \frac{m c}{h A}

    Parameters
    ----------
    start_c, end_c, ambient_c : T0, T1 and the surroundings [degC]; all arguments broadcast
    tau_s : time constant, > 0 [s]

    Returns
    -------
    Time, shape of the broadcast arguments, 0 where the start is cool enough [s].

    Raises
    ------
    OutsideModelError
        Where the end is not above the surroundings: it would never be reached.

    Notes
    -----
    Range: Biot number h L / k below 0.1; the caller checks.

    Examples
    --------
    A thermocouple, 25 to 199 degC in gas of 200 degC, tau 1 s:

    >>> round(float(lumped_cooling_s(-25.0, -199.0, -200.0, 1.0)), 5)
    5.16479

    References
    ----------
    Incropera and DeWitt, sec. 5.1 and example 5.1 (read in a solved-example notebook).
    """
    start, end, ambient = (np.asarray(value, float) for value in (start_c, end_c, ambient_c))
    if np.any(end <= ambient):
        raise OutsideModelError(
            f"nothing cools to {np.min(end):g} degC in surroundings of {np.max(ambient):g} degC.",
            "State a higher end temperature for the material, or the room's true temperature.",
        )
    seconds: np.ndarray = tau_s * np.log(np.maximum(start - ambient, end - ambient) / (end - ambient))
    return seconds


def plane_wall_roots(biot: Numbers, terms: int = TERMS) -> np.ndarray:
    r"""Eigenvalues of a plane wall with a film on both faces.

    .. math::  \zeta_n \tan \zeta_n = Bi, \quad (n-1) \pi < \zeta_n < (n - 1/2) \pi

    Parameters
    ----------
    biot : shape (...), Bi = h L / k with the half-thickness L, > 0 [-]
    terms : how many

    Returns
    -------
    Roots, shape (..., terms), by bisection to the last bit: none is missed.

    Examples
    --------
    >>> plane_wall_roots(1.0, 4).round(8).tolist()
    [0.86033359, 3.42561846, 6.43729818, 9.52933441]

    References
    ----------
    Y. A. Cengel, "Heat and Mass Transfer", table 4-2.
    """
    number = np.arange(terms) * np.pi
    distinct, place = np.unique(np.asarray(biot, float), return_inverse=True)  # a bed's sides are those of many cakes
    wanted = distinct[:, None]
    low = np.broadcast_to(number, (len(distinct), terms)).copy()
    high = low + np.pi / 2
    for _ in range(55):
        middle = 0.5 * (low + high)
        below = middle * np.sin(middle - number) < wanted * np.cos(middle - number)
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (0.5 * (low + high))[place.reshape(np.shape(biot))]


def plane_wall(fourier: Numbers, roots: np.ndarray, place: Numbers = 0.0) -> np.ndarray:
    r"""Temperature within a plane wall that cools from an even temperature.

    .. math::  \theta = \sum_n C_n e^{-\zeta_n^2 Fo} \cos(\zeta_n x / L), \quad
               C_n = \frac{4 \sin \zeta_n}{2 \zeta_n + \sin 2 \zeta_n}

    Parameters
    ----------
    fourier : shape (...), Fo = alpha t / L2, >= 0 [-]
    roots : shape (..., terms), of ``plane_wall_roots``
    place : x / L, 0 the middle, 1 a face [-]

    Returns
    -------
    theta = (T - T_air) / (T_0 - T_air), shape (...), 0 to 1 [-].

    Notes
    -----
    Range: the terms fall off as exp(-zeta2 Fo); below Fo = 0.001 the middle has not cooled (1 to 1e-10).

    References
    ----------
    Cengel, sec. 4-2; Incropera and DeWitt, sec. 5.5.
    """
    return _cooled(
        np.asarray(fourier, float), roots**2, _weight(roots) * np.cos(roots * place), np.asarray(place) < 0.5
    )


def _weight(roots: np.ndarray) -> np.ndarray:
    return np.asarray(4.0 * np.sin(roots) / (2.0 * roots + np.sin(2.0 * roots)))


def _cooled(fourier: np.ndarray, squares: np.ndarray, weight: np.ndarray, deep: np.ndarray | bool) -> np.ndarray:
    """The sum of ``plane_wall``, by the squares of its roots and what stands before each term; deep : not near a face"""
    theta = np.sum(weight * np.exp(-squares * fourier[..., None]), axis=-1)
    return np.clip(np.where((fourier < SMALL_FOURIER) & deep, 1.0, theta), 0.0, 1.0)


def cake_cooling_s(
    theta: Numbers,
    sides_m: np.ndarray,
    alpha_m2_s: Numbers,
    k_w_m_k: Numbers,
    film_w_m2_k: Numbers,
    halvings: int = 45,
) -> np.ndarray:
    r"""Time until the middle of a cuboid cake has cooled so far.

    .. math::  \theta_x(t)\, \theta_y(t)\, \theta_z(t) = \frac{T_{open} - T_{air}}{T_{bed} - T_{air}}

    Parameters
    ----------
    theta : wanted temperature ratio, 0 < theta <= 1 [-]
    sides_m : shape (n, 3), full lengths [m]
    alpha_m2_s, k_w_m_k, film_w_m2_k : shape (n,) or numbers [m2/s], [W/(m K)], [W/(m2 K)]
    halvings : of the bracket of times; 45 are exact to the last digits

    Returns
    -------
    Time, shape (n,) [s]: it goes with the square of the smallest half-thickness.

    Raises
    ------
    OutsideModelError
        Where theta is not between 0 and 1.

    Examples
    --------
    A cake of 200 x 200 x 300 mm from 170 to 50 degC in 25 degC:

    >>> h = cake_cooling_s(25 / 145, np.array([[0.2, 0.2, 0.3]]), 0.1 / (450 * 2350), 0.1, 8.0) / 3600
    >>> round(float(h[0]), 4)
    14.8183

    References
    ----------
    Product of three plane walls, solved for the time by bisection: Cengel, sec. 4-4; Incropera and DeWitt, sec. 5.8. That a cake's conductivity and film are
    what must be fitted: Paderborn note on laser-sintered part cakes (abstract).
    """
    wanted = np.asarray(theta, float)
    if np.any((wanted <= 0) | (wanted > 1)):
        raise OutsideModelError(
            "a cake cannot cool to the temperature of its surroundings or below, nor to more than it has.",
            "State an opening temperature between the room's and the powder bed's.",
        )
    half = np.asarray(sides_m, float) / 2.0
    alpha = np.broadcast_to(alpha_m2_s, half.shape[:-1])
    roots = plane_wall_roots(
        np.broadcast_to(film_w_m2_k, alpha.shape)[..., None] * half / np.broadcast_to(k_w_m_k, alpha.shape)[..., None]
    )
    slowest = np.sum(alpha[..., None] * (roots[..., 0] / half) ** 2, axis=-1)
    low, high = np.zeros(alpha.shape), (1.0 - np.log(wanted)) / slowest
    squares, weight = roots**2, _weight(roots)
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        fourier = (alpha * middle)[..., None] / half**2
        warm = np.prod(_cooled(fourier, squares, weight, True), axis=-1) > wanted
        low, high = np.where(warm, middle, low), np.where(warm, high, middle)
    return np.where(wanted == 1.0, 0.0, 0.5 * (low + high))


HEIGHTS, PACKINGS = 97, 9


@lru_cache(maxsize=256)
def _cooling_table(
    x_mm: float, y_mm: float, top_mm: float, theta: float, film: float, powder: tuple[float, float, float, float]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log time over log height and packing, for one machine and material."""
    heights = np.geomspace(2.0, top_mm, HEIGHTS)
    packing = np.linspace(0.0, 0.8, PACKINGS)
    height, share = (grid.ravel() for grid in np.meshgrid(heights, packing, indexing="ij"))
    k, alpha = cake_conduction(share, *powder)
    sides = np.stack([np.full(height.shape, x_mm), np.full(height.shape, y_mm), height], axis=-1) / 1000.0
    seconds = cake_cooling_s(theta, sides, alpha, k, film, halvings=24)  # to 1e-6: interpolation loses more
    return np.log(heights), packing, np.log(np.maximum(seconds, 1e-9)).reshape(HEIGHTS, PACKINGS)


def cake_conduction(
    packing: Numbers, powder_k: float, solid_k: float, powder_rho_c: float, solid_rho_c: float
) -> tuple[np.ndarray, np.ndarray]:
    r"""Conductivity and diffusivity of a cake that parts fill in part.

    .. math::  k = (1 - \phi) k_p + \phi k_s, \quad \alpha = k / ((1 - \phi) (\rho c)_p + \phi (\rho c)_s)

    Parameters
    ----------
    packing : shape (n,) or a number, share phi of the cake that is solid [-]
    powder_k, solid_k : [W/(m K)]
    powder_rho_c, solid_rho_c : volumetric heat [J/(m3 K)]

    Returns
    -------
    Conductivity [W/(m K)] and diffusivity [m2/s], shape of the packing each.

    References
    ----------
    Rule of mixtures, an upper bound for conductivity (general literature, from memory).
    """
    share = np.asarray(packing, float)
    k = (1.0 - share) * powder_k + share * solid_k
    return k, k / ((1.0 - share) * powder_rho_c + share * solid_rho_c)


def tabled_cake_cooling_s(
    height_mm: np.ndarray,
    packing: np.ndarray,
    base_mm: tuple[float, float],
    theta: float,
    film_w_m2_k: float,
    powder: tuple[float, float, float, float],
) -> np.ndarray:
    """``cake_cooling_s`` of one machine's cakes, from a table that is made once (to 0.2 %; a million in 0.2 s).

    height_mm, packing : shape (n,) [mm], [-]
    base_mm : the bed [mm]
    theta, film_w_m2_k : as in ``cake_cooling_s``
    powder : powder_k, solid_k, powder_rho_c, solid_rho_c as in ``cake_conduction``

    Returns seconds, shape (n,).
    """
    top = float(2.0 ** np.ceil(np.log2(max(np.max(height_mm, initial=1.0), 600.0))))
    heights, packings, table = _cooling_table(*base_mm, top, theta, film_w_m2_k, powder)
    seconds: np.ndarray = np.exp(
        _bilinear(np.log(np.maximum(height_mm, 2.0)), np.clip(packing, 0.0, 0.8), heights, packings, table)
    )
    return seconds


def _bilinear(x: np.ndarray, y: np.ndarray, xs: np.ndarray, ys: np.ndarray, table: np.ndarray) -> np.ndarray:
    across, along = (x - xs[0]) / (xs[1] - xs[0]), (y - ys[0]) / (ys[1] - ys[0])
    i = np.clip(across.astype(int), 0, len(xs) - 2)
    j = np.clip(along.astype(int), 0, len(ys) - 2)
    u, v = across - i, along - j
    low = (1 - v) * table[i, j] + v * table[i, j + 1]
    high = (1 - v) * table[i + 1, j] + v * table[i + 1, j + 1]
    value: np.ndarray = (1 - u) * low + u * high
    return value
