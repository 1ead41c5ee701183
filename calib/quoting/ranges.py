"""Draws -> the few numbers that are said: ranges, dates, chances."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.quoting.clock import from_minutes

QUANTILES = {"p10": 0.1, "p50": 0.5, "p90": 0.9}
MANY = (0.01, *(step / 20 for step in range(1, 20)), 0.99)


def value_range(values: np.ndarray, scale: float = 1.0) -> dict[str, float]:
    """p10, p50 and p90 of draws, shape (draws,), times ``scale``."""
    low, middle, high = np.quantile(values, list(QUANTILES.values())) * scale
    return {"p10": _number(low), "p50": _number(middle), "p90": _number(high)}


def many_quantiles(values: np.ndarray, scale: float = 1.0) -> list[list[float]]:
    """Pairs of chance and value, enough to tell later what chance any value had."""
    return [[chance, _number(value)] for chance, value in zip(MANY, np.quantile(values, MANY) * scale, strict=True)]


def date_range(walls: np.ndarray, zone: str) -> dict[str, str]:
    """p10, p50 and p90 of wall times as ISO 8601 with offset, to the minute, rounded up."""
    return {name: iso(value, zone) for name, value in zip(QUANTILES, _dates(walls), strict=True)}


def _dates(walls: np.ndarray) -> np.ndarray:
    return np.asarray(np.quantile(walls, list(QUANTILES.values())))


def iso(wall_min: float, zone: str) -> str:
    """A wall time as ISO 8601 with the offset of the shop's zone, rounded up to the minute."""
    return from_minutes(float(np.ceil(round(wall_min, 6))), zone).isoformat(timespec="minutes")


def date_with_chance(walls: np.ndarray, chance: float, zone: str) -> str:
    """The earliest minute by which that share of the draws is ready."""
    return iso(float(np.quantile(walls, chance, method="higher")), zone)


def chance_by(walls: np.ndarray, due_min: float) -> float:
    """Share of draws that are ready by then [0..1]."""
    return float(np.mean(walls <= due_min))


def _number(value: Any) -> float:
    return round(float(value), 4)
