"""Warming up to a set temperature; cooling of a powder cake by conduction."""

from __future__ import annotations

import numpy as np

from calib.errors import OutsideModelError

TERMS = 40


def warm_up_min(start_c: np.ndarray, set_c: np.ndarray, reach_c: np.ndarray, tau_min: np.ndarray) -> np.ndarray:
    r"""First-order heating.

    .. math::  t = -\tau \ln((T_{max} - T_{set}) / (T_{max} - T_0))

    Returns minutes >= 0, 0 where the start is warmer than the set temperature. Raises OutsideModelError where the set
    temperature is never reached.

    >>> round(float(warm_up_min(20.0, 60.0, 100.0, 10.0)), 4)
    6.9315
    """
    if np.any(np.asarray(set_c) >= np.asarray(reach_c)):
        raise OutsideModelError(
            f"set temperature {np.max(set_c):g} degC is never reached by a heater that ends at {np.min(reach_c):g} degC",
            "Lower the set temperature or state a higher reachable one in the shop file.",
        )
    return np.maximum(0.0, -tau_min * np.log((reach_c - set_c) / (reach_c - start_c)))


def plane_wall_roots(biot: float, terms: int = TERMS) -> np.ndarray:
    """First roots of zeta tan(zeta) = Bi, by bisection between n pi and n pi + pi/2; shape (terms,).

    >>> plane_wall_roots(1.0)[:2].round(8).tolist()
    [0.86033359, 3.42561846]
    """
    low = np.arange(terms) * np.pi
    high = low + np.pi / 2
    for _ in range(60):
        middle = (low + high) / 2
        above = middle * np.sin(middle) - biot * np.cos(middle) * 1.0
        sign = np.where(np.arange(terms) % 2 == 0, 1.0, -1.0)
        low, high = np.where(sign * above < 0, middle, low), np.where(sign * above < 0, high, middle)
    return (low + high) / 2


def centre_of_slab(fourier: np.ndarray, biot: float) -> np.ndarray:
    r"""Dimensionless centre temperature of a plane wall, :math:`\sum C_n \exp(-\zeta_n^2 Fo)`; Cengel, sec. 4-2."""
    roots = plane_wall_roots(biot)
    weight = 4 * np.sin(roots) / (2 * roots + np.sin(2 * roots))
    return np.minimum(np.exp(-np.multiply.outer(np.asarray(fourier, float), roots**2)) @ weight, 1.0)


def cake_cooling_h(
    size_m: tuple[float, float, float], theta: float, diffusivity_m2_s: float, conductivity_w_m_k: float, film: float
) -> float:
    r"""Hours until the centre of a cuboid cake has cooled to ``theta = (T - Tair)/(T0 - Tair)``.

    Product of three plane walls (Cengel, sec. 4-4), all sides exposed; bisection on time. size_m : full lengths [m];
    film : [W/(m2 K)]; 0 < theta < 1.

    >>> round(cake_cooling_h((0.2, 0.2, 0.3), 25 / 145, 0.1 / (450 * 2350), 0.1, 8.0), 4)
    14.8183
    """
    halves = np.maximum(np.asarray(size_m) / 2, 1e-4)
    low, high = 0.0, 1.0
    biots = [film * half / conductivity_w_m_k for half in halves]

    def centre(hours: float) -> float:
        fouriers = diffusivity_m2_s * hours * 3600 / halves**2
        return float(np.prod([centre_of_slab(fo, bi) for fo, bi in zip(fouriers, biots, strict=True)]))

    while centre(high) > theta:
        high *= 2
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if centre(middle) > theta else (low, middle)
    return (low + high) / 2
