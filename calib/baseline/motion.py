"""Time of moves: trapezoidal speed between corners, beads of plastic, lines of fill."""

from __future__ import annotations

import numpy as np

Numbers = float | np.ndarray


def move_s(
    length_mm: Numbers, speed_mm_s: Numbers, acceleration_mm_s2: Numbers, corner_mm_s: Numbers = 0.0
) -> np.ndarray:
    r"""Time of a straight move that enters and leaves at the corner speed.

    .. math::  t = \frac{L}{v} + \frac{(v - v_j)^2}{a v} \quad (L \ge (v^2 - v_j^2)/a), \qquad
               t = \frac{2 (\sqrt{v_j^2 + a L} - v_j)}{a} \quad (\text{else})

    Parameters
    ----------
    length_mm : length L of the move, >= 0 [mm]; all arguments broadcast
    speed_mm_s : cruise v, > 0 [mm/s]
    acceleration_mm_s2 : a, > 0 [mm/s2]
    corner_mm_s : speed v_j kept at both ends; more than v counts as v [mm/s]

    Returns
    -------
    Time, shape of the broadcast arguments, never less than L/v [s].

    Notes
    -----
    Range: constant acceleration, equal both ways; no jerk limit.

    Examples
    --------
    >>> round(float(move_s(2.0, 50.0, 1000.0)), 10)
    0.0894427191

    References
    ----------
    Elementary kinematics; K. M. Lynch and F. C. Park, "Modern Robotics", sec. 9.2.2 (from memory).
    """
    length, speed, corner = np.asarray(length_mm, float), np.asarray(speed_mm_s, float), np.asarray(corner_mm_s, float)
    corner = np.minimum(corner, speed)
    reaches = length >= (speed**2 - corner**2) / acceleration_mm_s2
    cruising = length / speed + (speed - corner) ** 2 / (acceleration_mm_s2 * speed)
    peak_and_corner = np.sqrt(corner**2 + acceleration_mm_s2 * length) + corner
    short = (
        2.0 * length / np.maximum(peak_and_corner, 1e-300)
    )  # the same without the difference of nearly equal numbers
    seconds: np.ndarray = np.where(reaches, cruising, short)
    return seconds


def bead_section_mm2(width_mm: Numbers, height_mm: Numbers) -> np.ndarray:
    r"""Section of a laid bead: a rectangle with round ends.

    .. math::  S = (w - h) h + \pi h^2 / 4

    Parameters
    ----------
    width_mm, height_mm : w and h, > 0 [mm]; a bead narrower than high counts as round; both broadcast

    Returns
    -------
    Section, shape of the broadcast arguments [mm2].

    Examples
    --------
    >>> round(float(bead_section_mm2(0.45, 0.2)) * 60, 6)  # mm3/s at 60 mm/s
    4.884956

    References
    ----------
    Plane geometry.
    """
    height = np.minimum(width_mm, height_mm)
    return (np.asarray(width_mm) - height) * height + np.pi * height**2 / 4.0


def flow_limited_mm_s(speed_mm_s: Numbers, melt_rate_mm3_s: Numbers, section_mm2: Numbers) -> np.ndarray:
    r"""Cruise of a nozzle: the set speed, or what it melts.

    .. math::  v = \min(v_{set}, Q / S)

    Parameters
    ----------
    speed_mm_s : set speed [mm/s]; all arguments broadcast
    melt_rate_mm3_s : greatest flow Q [mm3/s]
    section_mm2 : section S of the bead [mm2]

    Returns
    -------
    Speed, shape of the broadcast arguments [mm/s].

    References
    ----------
    Conservation of volume; that flow limits the rate: J. Go et al. 2017, Addit. Manuf. 16:1-11 (abstract).
    """
    return np.minimum(speed_mm_s, np.asarray(melt_rate_mm3_s) / section_mm2)


def curve_limited_mm_s(speed_mm_s: Numbers, acceleration_mm_s2: Numbers, radius_mm: Numbers) -> np.ndarray:
    r"""Cruise on a curve, whose chords turn too little to be corners.

    .. math::  v = \min(v_{set}, \sqrt{a R})

    Parameters
    ----------
    speed_mm_s : set speed [mm/s]; all arguments broadcast
    acceleration_mm_s2 : a [mm/s2]
    radius_mm : radius R of the curve, > 0 [mm]

    Returns
    -------
    Speed, shape of the broadcast arguments [mm/s].

    References
    ----------
    Centripetal acceleration, elementary kinematics.
    """
    return np.minimum(speed_mm_s, np.sqrt(np.asarray(acceleration_mm_s2) * radius_mm))
