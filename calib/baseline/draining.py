"""Resin that runs out of a hollow through its openings."""

from __future__ import annotations

import numpy as np

GRAVITY_M_S2 = 9.81
DISCHARGE = 0.61  # of a sharp-edged orifice; textbook value, from memory
USUAL_PA_S = 0.5  # viscosity of a usual resin; common practice, no source
LONGEST_MIN = 120.0  # nobody waits longer: what has not run out by then stays in; common practice, no source


def draining_min(
    volume_cm3: np.ndarray, opening_mm: np.ndarray, opening_mm2: np.ndarray, viscosity_pa_s: np.ndarray,
    density_g_cm3: np.ndarray,
) -> np.ndarray:  # fmt: skip
    r"""Time in which a hollow runs empty through its openings, at the flow under a quarter of its height.

    .. math::  t = \frac{V}{n Q}, \quad \frac{\rho}{2} \left(\frac{4 Q}{C \pi w^2}\right)^2 + \frac{24 \mu Q}{w^3} =
               \rho g \frac{\sqrt[3]{V}}{4}, \quad n = \frac{4 A}{\pi w^2}

    Parameters
    ----------
    volume_cm3 : V of the hollow, as high as a cube [cm3]
    opening_mm, opening_mm2 : width w of its openings and their area A together, as so many round ones [mm], [mm2]
    viscosity_pa_s, density_g_cm3 : mu and rho of the resin [Pa s], [g/cm3]

    Returns
    -------
    Minutes, at most 120; 0 without a hollow. Shape of the arguments.

    Notes
    -----
    A quarter of the height gives the time of a prism that empties by Torricelli's law, and of a viscous liquid the time in
    which 98 % have run out. No wall is thinner than an orifice's: through a long hole it takes longer.

    Examples
    --------
    >>> float(draining_min(np.array(50.0), np.array(3.0), np.array(7.0686), np.array(0.5), np.array(1.15)).round(1))
    3.6

    References
    ----------
    Torricelli's law with a discharge coefficient (any text on fluid mechanics); slow flow through an orifice: R. A.
    Sampson, Phil. Trans. R. Soc. A 182 (1891) 449, from memory.
    """
    volume, width = np.asarray(volume_cm3) * 1e-6, np.asarray(opening_mm) * 1e-3
    bore = np.pi / 4.0 * width**2
    density = np.asarray(density_g_cm3) * 1000.0
    pressure = density * GRAVITY_M_S2 * np.cbrt(volume) / 4.0
    with np.errstate(divide="ignore", invalid="ignore"):
        slow, fast = 24.0 * viscosity_pa_s / width**3, 0.5 * density / (DISCHARGE * bore) ** 2
        flow = 2.0 * pressure / (slow + np.sqrt(slow**2 + 4.0 * fast * pressure))
        minutes = volume / (flow * np.asarray(opening_mm2) * 1e-6 / bore) / 60.0
    return np.where(volume > 0, np.fmin(minutes, LONGEST_MIN), 0.0)
