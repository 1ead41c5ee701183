"""Learning over repeats: the second part of the same work is done faster."""

from __future__ import annotations

import numpy as np

Numbers = float | np.ndarray


def unit_time(first: Numbers, unit: Numbers, rate: Numbers) -> np.ndarray:
    r"""Time of the n-th unit.

    .. math::  y_n = y_1 n^{b}, \quad b = \log_2 r

    Parameters
    ----------
    first : time of unit 1 [any]
    unit : n, 1 or more [-]
    rate : r, time of twice the unit number over the time of the unit, 0.5 to 1 [-]

    Returns
    -------
    Time of the unit, as ``first``.

    Examples
    --------
    >>> round(float(unit_time(100.0, 125, 0.85)), 5)
    32.23647

    References
    ----------
    T. P. Wright 1936, in the unit form of J. R. Crawford; numbers of the R package learningCurve.
    """
    return first * np.asarray(unit, float) ** np.log2(rate)


def repeats(units: Numbers, rate: Numbers) -> np.ndarray:
    r"""Time of units 1 to n over that of unit 1.

    .. math::  \sum_{i=1}^{n} i^b \approx \frac{(n + 1/2)^{1+b} - (1/2)^{1+b}}{1 + b}

    Parameters
    ----------
    units : n, 1 or more, need not be whole [-]
    rate : r, 0.5 < r <= 1 [-]

    Returns
    -------
    Sum [-], exactly n where r is 1; scaled so that one unit is 1.

    Examples
    --------
    >>> float(repeats(7.0, 1.0))
    7.0

    References
    ----------
    Mid-point integral of the unit curve (R package learningCurve, unit_cum_appx), divided by its value at n = 1.
    """
    return cumulative_midpoint(units, rate) / cumulative_midpoint(1.0, rate)


def cumulative_midpoint(units: Numbers, rate: Numbers) -> np.ndarray:
    r"""Mid-point integral of the unit curve.

    .. math::  C_n = \frac{(n + 1/2)^{1+b} - (1/2)^{1+b}}{1 + b}

    Parameters
    ----------
    units : n [-]
    rate : r, 0.5 < r <= 1 [-]

    Returns
    -------
    Cumulative time over that of unit 1 [-].

    Examples
    --------
    >>> round(100 * float(cumulative_midpoint(125, 0.85)), 3)
    5202.988

    References
    ----------
    R package learningCurve, unit_cum_appx.
    """
    power = 1.0 + np.log2(rate)
    return ((np.asarray(units, float) + 0.5) ** power - 0.5**power) / power
