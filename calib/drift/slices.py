"""Where a change comes from: the stage as a whole, or one machine, station, material, part, layer, day or shift."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from calib.calibration.explain import PERSON_RUNS
from calib.drift.change import TEMPER, Z90, robust_mean

LEAST_COME = 0.2  # share of a creep that a slice's runs must have seen on average, else where it stands now is a guess
FEWEST = 4  # runs on each side of the change before a slice is spoken of
PLACES = ("stage", "machine", "station", "material", "part", "layer_mm", "day", "shift")
USUAL = 0.25  # sd of changes that are spoken of [log], an assumption
SURE = 0.8  # chance from which on one origin is named


@dataclass(frozen=True)
class Slice:
    """by, value : e.g. station, cure-1; change, se : where its runs alone stand now against before [log]; runs : since the
    change"""

    by: str
    value: str
    change: float
    se: float
    runs: int


def find_slices(
    rows: pd.DataFrame, values: np.ndarray, scale: np.ndarray, come: np.ndarray, run: int, persons: bool
) -> dict[str, Any]:
    """``slices``, ``where`` and ``where_chance`` of the document.

    values, scale : shape (n,), as in Series; come : shape (n,), share of the change that had come by each run, 1 for all of
    it; run : first run after the change
    Each slice's change is drawn towards the stage's by how uncertain it is; share is the part of the whole change
    that its runs carry. Persons come last, by name and not by size: whom to ask. ``where`` is 'the whole stage',
    'BY VALUE' or None: cannot tell.
    """
    factors = list(find_factors(rows, values, scale, come, run, (*PLACES, *(("operator",) if persons else ()))))
    told = [drawn for slices in factors for drawn in drawn_together(slices)]
    places = sorted((one for one in told if one["by"] != "operator"), key=lambda one: -one["share"])
    asked = sorted((one | {"ask": True} for one in told if one["by"] == "operator"), key=lambda one: one["value"])
    where, chance = origin(factors)
    return {"slices": places + asked, "where": where, "where_chance": chance}


def find_factors(
    rows: pd.DataFrame, values: np.ndarray, scale: np.ndarray, come: np.ndarray, run: int, names: tuple[str, ...]
) -> Iterator[list[Slice]]:
    """Slices of each factor that has at least two with runs on both sides and does not divide as an earlier one."""
    seen: list[np.ndarray] = []
    for by in names:
        if by not in rows.columns or rows[by].nunique() < 2:
            continue
        code, labels = pd.factorize(rows[by].astype("string"))
        if any(same_parts(code, other) for other in seen):
            continue
        seen.append(code)
        found = [
            one
            for i, label in enumerate(labels)
            if (one := slice_of(by, str(label), code == i, values, scale, come, run))
        ]
        if len(found) > 1:
            yield found


def same_parts(one: np.ndarray, other: np.ndarray) -> bool:
    pairs = len(np.unique(np.column_stack([one, other]), axis=0))
    return pairs == len(np.unique(one)) == len(np.unique(other))


def slice_of(
    by: str, value: str, here: np.ndarray, values: np.ndarray, scale: np.ndarray, come: np.ndarray, run: int
) -> Slice | None:
    """Where one slice stands now: the mean of its runs since, over the share of the change that they saw on average."""
    index = np.flatnonzero(here)
    before, after = index[index < run], index[index >= run]
    if min(len(before), len(after)) < FEWEST or (by == "operator" and len(index) < PERSON_RUNS):
        return None
    (m0, s0), (m1, s1) = robust_mean(values[before], scale[before]), robust_mean(values[after], scale[after])
    seen = max(float(come[after].mean()), LEAST_COME)
    return Slice(by, value, (m1 - m0) / seen, float(np.sqrt(TEMPER[0]) * np.hypot(s0, s1)) / seen, len(after))


def drawn_together(slices: list[Slice]) -> list[dict[str, Any]]:
    """Changes shrunk towards their common mean (R. DerSimonian and N. Laird, Controlled Clinical Trials 7 (1986) 177-188)."""
    change, se = np.array([s.change for s in slices]), np.array([s.se for s in slices])
    weight = 1 / se**2
    mean = weight @ change / weight.sum()
    excess = weight @ (change - mean) ** 2 - (len(slices) - 1)
    between = max(excess / (weight.sum() - weight @ weight / weight.sum()), 0.0)
    if between:
        mean = (change / (se**2 + between)).sum() / (1 / (se**2 + between)).sum()
    keep = between / (between + se**2)
    drawn = mean + keep * (change - mean)
    spread = np.sqrt(keep * se**2 + (1 - keep) ** 2 / (1 / (se**2 + between)).sum())
    runs = np.array([s.runs for s in slices])
    carried = np.maximum(runs * drawn * np.sign(runs @ drawn), 0.0)
    share = carried / max(carried.sum(), 1e-12)
    return [
        {
            "by": one.by,
            "value": one.value,
            "change_pct": float(100 * np.expm1(drawn[i])),
            "change_pct_low": float(100 * np.expm1(drawn[i] - Z90 * spread[i])),
            "change_pct_high": float(100 * np.expm1(drawn[i] + Z90 * spread[i])),
            "share": float(share[i]),
            "runs": one.runs,
        }
        for i, one in enumerate(slices)
    ]


def origin(factors: list[list[Slice]]) -> tuple[str | None, float | None]:
    """The likeliest origin and its chance; (None, chance) where none reaches SURE, (None, None) with nothing to compare.

    Either all slices moved alike, or one of one factor moved alone; beforehand as likely as not that it was the whole
    stage, and all slices alike. A change is normal with sd USUAL.
    """
    if not factors:
        return None, None
    names, odds = ["the whole stage"], [1.0]
    count = sum(len(slices) for slices in factors)
    for slices in factors:
        together = log_alike(slices)
        for one in slices:
            rest = sum(-0.5 * (s.change / s.se) ** 2 - np.log(s.se) for s in slices if s is not one)
            names.append(f"{one.by} {one.value}")
            odds.append(float(np.exp(np.clip(log_alike([one]) + rest - together, -700, 700))) / count)
    best = int(np.argmax(odds))
    chance = odds[best] / sum(odds)
    return (names[best] if chance >= SURE else None), float(chance)


def log_alike(slices: list[Slice]) -> float:
    """Log density of the slices' changes if all share one, normal with sd USUAL and integrated out."""
    se2 = np.array([s.se for s in slices]) ** 2
    change = np.array([s.change for s in slices])
    precision = 1 / USUAL**2 + (1 / se2).sum()
    quad = (change**2 / se2).sum() - (change / se2).sum() ** 2 / precision
    return float(-0.5 * (quad + np.log(se2).sum() + np.log(precision * USUAL**2)))
