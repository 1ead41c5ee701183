"""Ranges: three quantiles of a number, or of a moment."""

from __future__ import annotations

from typing import TypedDict


class Span(TypedDict):
    """10, 50 and 90 % quantile, in the unit of the key that it stands under."""

    p10: float
    p50: float
    p90: float


class Moments(TypedDict):
    """10, 50 and 90 % quantile of a date: times."""

    p10: str
    p50: str
    p90: str


class Named(TypedDict):
    """A stage of a process."""

    process: str
    stage: str
