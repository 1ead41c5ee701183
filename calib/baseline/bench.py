"""Bench work and loads: minutes from a stage's rates."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from calib.baseline.columns import Builds

Terms = dict[str, np.ndarray]


def bench_terms(b: Builds, stage: str, rate: Mapping[str, float]) -> tuple[Terms, np.ndarray]:
    """Minutes of each term, and minutes with hands on.

    start + first part x sum of n^log2(learning) (Crawford's unit curve) + surface + support contact + powder cake,
    times difficulty and process; and loads x recipe.
    """
    process = rate.get(f"{b.process.lower()}_factor", 1.0)
    factor = process * np.select(
        [b.difficulty == "plain", b.difficulty == "intricate"],
        [rate.get("plain_factor", 1.0), rate.get("intricate_factor", 1.0)],
        1.0,
    )
    zero = np.zeros_like(b.parts)
    loads = load_count(b, rate) if "recipe_min" in rate else zero
    grades = max(rate.get("grades", 1.0), 1.0) if stage == "sanding" else 1.0
    terms = {
        "start": factor * rate.get("start_min", 0.0),
        "parts": factor * rate.get("per_part_min", 0.0) * repeated(b.parts, rate.get("learning", 1.0)),
        "surface": factor * rate.get("per_cm2_min", 0.0) * grades * b.area_mm2 / 100,
        "support contact": factor * rate.get("per_contact_cm2_min", 0.0) * b.contact_cm2,
        "supports": factor * np.where(b.support_mm3 > 0, rate.get("per_support_min", 0.0), 0.0),
        "powder cake": factor * rate.get("per_litre_min", 0.0) * b.cake_cm3 / 1000,
        "recipe": loads * rate.get("recipe_min", 0.0),
        "hands for loads": loads * rate.get("hands_min", 0.0),
    }
    by_hand = sum(terms.values()) - terms["recipe"]
    touch = by_hand * (1 - rate.get("automatic_share", 0.0))
    return {name: minutes + zero for name, minutes in terms.items()}, touch + zero


def load_count(b: Builds, rate: Mapping[str, float]) -> np.ndarray:
    by_parts = np.ceil(b.parts / rate.get("load_parts", 1e6))
    by_volume = np.ceil(b.volume_mm3 / 1000 / rate.get("load_cm3", 1e9))
    return np.maximum(np.maximum(by_parts, by_volume), 1.0)


def repeated(parts: np.ndarray, learning: float) -> np.ndarray:
    """Sum of n^log2(learning) over n = 1 .. parts, by the midpoint rule beyond the first ten.

    >>> [round(float(x), 2) for x in repeated(np.array([1.0, 2.0, 10.0]), 0.8)]
    [1.0, 1.8, 6.32]
    """
    b = np.log2(learning)
    few = np.minimum(parts, 10)
    exact = np.cumsum(np.arange(1, 11) ** b)[np.maximum(few.astype(int), 1) - 1]
    return exact + ((np.maximum(parts, 10) + 0.5) ** (b + 1) - 10.5 ** (b + 1)) / (b + 1)
