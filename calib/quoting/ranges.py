"""Draws -> the few numbers that are shown: ranges, dates, chances."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.calendar.clock import from_minutes
from calib.documents.quote import Within
from calib.documents.spans import Moments, Span

QUANTILES = {"p10": 0.1, "p50": 0.5, "p90": 0.9}
DOTS = 20
MANY = (0.01, *(step / 20 for step in range(1, 20)), 0.99)


def quantiles(values: np.ndarray, levels: Any) -> np.ndarray:
    """Quantiles of draws, shape (..., draws) -> (levels, ...), between neighbours in proportion; one sort for all.

    >>> quantiles(np.array([3.0, 1.0, 2.0]), (0.5, 0.75)).tolist()
    [2.0, 2.5]
    """
    ordered = np.moveaxis(np.sort(values, axis=-1), -1, 0)
    rank = np.asarray(levels, float) * (len(ordered) - 1)
    below = np.minimum(rank.astype(int), max(len(ordered) - 2, 0))
    above = np.minimum(below + 1, len(ordered) - 1)
    share = (rank - below).reshape(-1, *[1] * (ordered.ndim - 1))
    return np.asarray(ordered[below] + share * (ordered[above] - ordered[below]))


def value_ranges(values: np.ndarray, scale: float = 1.0) -> list[Span]:
    """p10, p50 and p90 of each row of draws, shape (n, draws), times ``scale``."""
    rows = (quantiles(values, list(QUANTILES.values())) * scale).round(4).T.tolist()
    return [Span(p10=low, p50=middle, p90=high) for low, middle, high in rows]


def value_range(values: np.ndarray, scale: float = 1.0) -> Span:
    """p10, p50 and p90 of draws, shape (draws,), times ``scale``."""
    return value_ranges(values[None], scale)[0]


def many_quantiles(values: np.ndarray, scale: float = 1.0) -> list[list[float]]:
    """Pairs of chance and value, enough to tell later what chance any value had.

    values : shape (draws,)
    """
    return [[chance, _number(value)] for chance, value in zip(MANY, quantiles(values, MANY) * scale, strict=True)]


def date_range(walls: np.ndarray, zone: str) -> Moments:
    """p10, p50 and p90 of wall times as ISO 8601 with offset, to the minute, rounded up.

    walls : shape (draws,) [wall min]
    """
    low, middle, high = quantiles(walls, list(QUANTILES.values()))
    return {"p10": iso(low, zone), "p50": iso(middle, zone), "p90": iso(high, zone)}


def date_within(walls: np.ndarray, level: float, zone: str) -> Within:
    """The middle range that holds a share ``level`` of the draws, as the shop file states it: level, from, to.

    walls : shape (draws,) [wall min]
    """
    low, high = quantiles(walls, ((1 - level) / 2, (1 + level) / 2))
    return {"level": level, "from": iso(low, zone), "to": iso(high, zone)}


def iso(wall_min: float, zone: str) -> str:
    """A wall time as ISO 8601 with the offset of the shop's zone, rounded up to the minute."""
    return from_minutes(float(np.ceil(round(float(wall_min), 6))), zone).isoformat(timespec="minutes")


def one_of_twenty(walls: np.ndarray, zone: str) -> list[str]:
    """The middle draw of each twentieth, the soonest first: what 20 such jobs would do.

    walls : shape (draws,) [wall min]
    """
    levels = (np.arange(DOTS) + 0.5) / DOTS
    return [iso(wall, zone) for wall in np.quantile(walls, levels, method="higher")]


def date_with_chance(walls: np.ndarray, chance: float, zone: str) -> str:
    """The earliest minute by which that share of the draws is ready.

    walls : shape (draws,) [wall min]
    """
    return iso(float(np.quantile(walls, chance, method="higher")), zone)


def chance_by(walls: np.ndarray, due_min: float) -> float:
    """Share of draws that are ready by then [0..1].

    walls : shape (draws,), due_min [wall min]
    """
    return float(np.mean(walls <= due_min))


def _number(value: Any) -> float:
    return round(float(value), 4)
