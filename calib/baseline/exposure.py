"""Light on resin: exposure of a cure depth, by mask or by laser."""

from __future__ import annotations

import numpy as np

Numbers = float | np.ndarray


def needed_exposure_mj_cm2(depth_mm: Numbers, penetration_mm: Numbers, critical_mj_cm2: Numbers) -> np.ndarray:
    r"""Exposure on the surface that cures to a depth: the working curve, solved for the exposure.

    .. math::  C_d = D_p \ln (E / E_c), \quad E = E_c e^{C_d / D_p}

    Parameters
    ----------
    depth_mm : wanted cure depth Cd, layer and overcure [mm]; all arguments broadcast
    penetration_mm : depth of penetration Dp, > 0 [mm]
    critical_mj_cm2 : critical exposure Ec, below which nothing gels, > 0 [mJ/cm2]

    Returns
    -------
    Exposure E, shape of the broadcast arguments [mJ/cm2]: it grows exponentially with the layer, so that thicker is not
    always faster.

    Examples
    --------
    >>> round(float(needed_exposure_mj_cm2(0.0970406, 0.14, 8.0)), 5)
    16.0

    References
    ----------
    P. F. Jacobs 1992; I. Gibson, D. Rosen, B. Stucker, "Additive Manufacturing Technologies", 2nd ed., Springer 2015,
    eq. 4.23.
    """
    return critical_mj_cm2 * np.exp(np.asarray(depth_mm) / penetration_mm)


def masked_exposure_s(
    depth_mm: Numbers, penetration_mm: Numbers, critical_mj_cm2: Numbers, irradiance_mw_cm2: Numbers
) -> np.ndarray:
    r"""Time of one layer under masked light; how much of the plate is filled does not matter.

    .. math::  t = E_c e^{C_d / D_p} / I

    Parameters
    ----------
    depth_mm, penetration_mm, critical_mj_cm2 : Cd [mm], Dp [mm], Ec [mJ/cm2]; all arguments broadcast
    irradiance_mw_cm2 : I on the film, > 0 [mW/cm2]

    Returns
    -------
    Time, shape of the broadcast arguments [s].

    Examples
    --------
    >>> round(float(masked_exposure_s(0.10, 0.14, 8.0, 5.0)), 6)
    3.268363

    References
    ----------
    As for the needed exposure.
    """
    return needed_exposure_mj_cm2(depth_mm, penetration_mm, critical_mj_cm2) / irradiance_mw_cm2


def laser_exposure_mj_cm2(
    power_mw: Numbers, radius_mm: Numbers, speed_mm_s: Numbers, offset_mm: Numbers = 0.0
) -> np.ndarray:
    r"""Exposure that a Gaussian beam leaves beside its line.

    .. math::  E(y) = \sqrt{2/\pi} \frac{P}{W_0 V_s} e^{-2 y^2 / W_0^2}

    Parameters
    ----------
    power_mw : P on the surface [mW]; all arguments broadcast
    radius_mm : 1/e2 radius W0 [mm]
    speed_mm_s : Vs, > 0 [mm/s]
    offset_mm : distance y from the line [mm]

    Returns
    -------
    Exposure, shape of the broadcast arguments [mJ/cm2] (100 mJ/cm2 are 1 mJ/mm2).

    Examples
    --------
    >>> round(float(laser_exposure_mj_cm2(250.0, 0.125, 1000.0)), 5)
    159.57691

    References
    ----------
    Gibson, Rosen, Stucker 2015, eq. 4.11.
    """
    peak = np.sqrt(2.0 / np.pi) * np.asarray(power_mw) / (radius_mm * np.asarray(speed_mm_s))
    exposure: np.ndarray = 100.0 * peak * np.exp(-2.0 * np.asarray(offset_mm) ** 2 / np.asarray(radius_mm) ** 2)
    return exposure


def laser_speed_mm_s(
    depth_mm: Numbers, penetration_mm: Numbers, critical_mj_cm2: Numbers, power_mw: Numbers, radius_mm: Numbers
) -> np.ndarray:
    r"""Speed at which one line cures to a depth.

    .. math::  V_s = \sqrt{2/\pi} \frac{P}{W_0 E_c} e^{-C_d / D_p}

    Parameters
    ----------
    depth_mm, penetration_mm, critical_mj_cm2 : Cd [mm], Dp [mm], Ec [mJ/cm2]; all arguments broadcast
    power_mw, radius_mm : P [mW] and W0 [mm] of the beam

    Returns
    -------
    Speed, shape of the broadcast arguments [mm/s].

    Examples
    --------
    >>> round(float(laser_speed_mm_s(0.15, 0.14, 8.0, 250.0, 0.125)), 3)
    6832.263

    References
    ----------
    Gibson, Rosen, Stucker 2015, eq. 4.16 solved for the speed.
    """
    needed = needed_exposure_mj_cm2(depth_mm, penetration_mm, critical_mj_cm2)
    speed: np.ndarray = laser_exposure_mj_cm2(power_mw, radius_mm, 1.0) / needed
    return speed
