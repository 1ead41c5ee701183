"""Learning over repeats: the second part of the same work is done faster."""

from __future__ import annotations

import numpy as np

Numbers = float | np.ndarray


def repeats(units: Numbers, rate: Numbers) -> np.ndarray:
    r"""Time of units 1 to n over that of unit 1.

    .. math::  \sum_{i=1}^{n} i^b \approx \frac{(n + 1/2)^{1+b} - (1/2)^{1+b}}{1 + b}, \quad b = \log_2 r

    Parameters
    ----------
    units : n, 1 or more, need not be whole [-]
    rate : r, time of twice the unit number over the time of the unit, 0.5 < r <= 1 [-]; both broadcast

    Returns
    -------
    Sum, shape of the broadcast arguments [-], exactly n where r is 1; scaled so that one unit is 1.

    Examples
    --------
    >>> float(repeats(7.0, 1.0))
    7.0

    References
    ----------
    T. P. Wright 1936, in the unit form of J. R. Crawford: the n-th unit takes n^b of the first. Mid-point integral of
    that curve (R package learningCurve, unit_cum_appx), divided by its value at n = 1.
    """
    sums: np.ndarray = cumulative_midpoint(units, rate) / cumulative_midpoint(1.0, rate)
    return sums


def cumulative_midpoint(units: Numbers, rate: Numbers) -> np.ndarray:
    r"""Mid-point integral of the unit curve.

    .. math::  C_n = \frac{(n + 1/2)^{1+b} - (1/2)^{1+b}}{1 + b}, \quad b = \log_2 r

    Parameters
    ----------
    units : n [-]
    rate : r, 0.5 < r <= 1 [-]; both broadcast

    Returns
    -------
    Cumulative time over that of unit 1, shape of the broadcast arguments [-].

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
