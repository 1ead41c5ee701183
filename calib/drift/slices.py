"""Where a change comes from: the stage as a whole, one machine, station, material, part, layer, day or shift, or only another mix of parts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from calib.calibration.explain import PERSON_RUNS
from calib.documents.drift import Origin, SliceRow
from calib.drift.change import TEMPER, Z90, robust_mean

LEAST_COME = 0.2  # share of a creep that a slice's runs must have seen on average, else where it stands now is a guess
FEWEST = 4  # runs on each side of the change before a slice, or a kind of part, is spoken of
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
) -> Origin:
    """Where the change comes from.

    values, scale : shape (n,), as in Series; come : shape (n,), share of the change that had come by each run, 1 for all of
    it; run : first run after the change
    Each slice's change is drawn towards the stage's by how uncertain it is; share is the part of the whole change
    that its runs carry. Persons come last, by name and not by size: whom to ask.
    """
    factors = list(find_factors(rows, values, scale, come, run, (*PLACES, *(("operator",) if persons else ()))))
    rows_of_slices = [shrunk_row for slices in factors for shrunk_row in shrunk_together(slices)]
    places = sorted((row for row in rows_of_slices if row["by"] != "operator"), key=lambda row: -row["share"])
    asked = sorted(
        (row | {"ask": True} for row in rows_of_slices if row["by"] == "operator"), key=lambda row: row["value"]
    )
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
        parts = [
            part
            for i, label in enumerate(labels)
            if (part := slice_of(by, str(label), code == i, values, scale, come, run))
        ]
        if len(parts) > 1:
            yield parts


def same_parts(first: np.ndarray, other: np.ndarray) -> bool:
    """Whether two codings, shape (n,), divide the runs alike."""
    pairs = len(np.unique(np.column_stack([first, other]), axis=0))
    return pairs == len(np.unique(first)) == len(np.unique(other))


def slice_of(
    by: str, value: str, here: np.ndarray, values: np.ndarray, scale: np.ndarray, come: np.ndarray, run: int
) -> Slice | None:
    """Where one slice stands now: the mean of its runs since, over the share of the change that they saw on average.

    here (of the slice or not), values, scale, come : shape (n,), as in ``find_slices``; None where too few runs are
    """
    index = np.flatnonzero(here)
    before, after = index[index < run], index[index >= run]
    if min(len(before), len(after)) < FEWEST or (by == "operator" and len(index) < PERSON_RUNS):
        return None
    (m0, s0), (m1, s1) = robust_mean(values[before], scale[before]), robust_mean(values[after], scale[after])
    seen = max(float(come[after].mean()), LEAST_COME)
    return Slice(by, value, (m1 - m0) / seen, float(np.sqrt(TEMPER[0]) * np.hypot(s0, s1)) / seen, len(after))


def shrunk_together(slices: list[Slice]) -> list[SliceRow]:
    """Changes shrunk towards their common mean (R. DerSimonian and N. Laird, Controlled Clinical Trials 7 (1986) 177-188)."""
    change, se = np.array([s.change for s in slices]), np.array([s.se for s in slices])
    weight = 1 / se**2
    mean = weight @ change / weight.sum()
    excess = weight @ (change - mean) ** 2 - (len(slices) - 1)
    between = max(excess / (weight.sum() - weight @ weight / weight.sum()), 0.0)
    if between:
        mean = (change / (se**2 + between)).sum() / (1 / (se**2 + between)).sum()
    keep = between / (between + se**2)
    shrunk = mean + keep * (change - mean)
    spread = np.sqrt(keep * se**2 + (1 - keep) ** 2 / (1 / (se**2 + between)).sum())
    runs = np.array([s.runs for s in slices])
    carried = np.maximum(runs * shrunk * np.sign(runs @ shrunk), 0.0)
    share = carried / max(carried.sum(), 1e-12)
    return [
        {
            "by": part.by,
            "value": part.value,
            "change_pct": float(100 * np.expm1(shrunk[i])),
            "change_pct_low": float(100 * np.expm1(shrunk[i] - Z90 * spread[i])),
            "change_pct_high": float(100 * np.expm1(shrunk[i] + Z90 * spread[i])),
            "share": float(share[i]),
            "runs": part.runs,
        }
        for i, part in enumerate(slices)
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
        for part in slices:
            rest = sum(-0.5 * (s.change / s.se) ** 2 - np.log(s.se) for s in slices if s is not part)
            names.append(f"{part.by} {part.value}")
            odds.append(float(np.exp(np.clip(log_alike([part]) + rest - together, -700, 700))) / count)
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


SIZES = 3  # parts into which runs are divided by their baseline
FAR = 0.35  # share of runs that are of another kind than before, from which on a mix is called changed


@dataclass(frozen=True)
class Mix:
    """What most runs are now more than before: their kind, in words, and its share of the runs before and after [0..1]."""

    kind: str
    before: float
    after: float


def mix_cause(rows: pd.DataFrame, values: np.ndarray, scale: np.ndarray, run: int, size: float) -> Mix | None:
    """What the mix changed to, where it explains the change; None where it does not.

    values, scale : shape (n,), as in Series
    run : first run after the change; size : the change [log]
    Kinds are material and size class. Explained: the mix moved, and the change within kinds is not half of ``size``
    while its 90 % range holds nothing, or no kind was there both before and after.
    """
    material = rows["material"] if "material" in rows else pd.Series(None, index=rows.index, dtype=object)
    place = rows["baseline_min"].rank(pct=True).round(9)  # equal ones share a place: their order in time is no size
    classes = pd.cut(place, np.linspace(0, 1, SIZES + 1).round(9).tolist(), labels=["small", "middling", "large"])
    kind = (material.astype("string").fillna("") + "|" + classes.astype("string")).to_numpy(str)
    after = np.arange(len(kind)) >= run
    shares = pd.crosstab(kind, after, normalize="columns")
    moved = float((shares[True] - shares[False]).abs().sum() / 2)
    if moved < FAR:
        return None
    within, se = within_kinds(kind, after, values, scale)
    if np.isfinite(se) and (abs(within) > abs(size) / 2 or abs(within) > Z90 * se):
        return None
    grown = str((shares[True] - shares[False]).idxmax())
    what = " ".join(part for part in (grown.split("|")[1], "runs", grown.split("|")[0] and f"in {grown.split('|')[0]}"))
    return Mix(what.strip(), float(shares[False][grown]), float(shares[True][grown]))


def within_kinds(kind: np.ndarray, after: np.ndarray, values: np.ndarray, scale: np.ndarray) -> tuple[float, float]:
    """Change of kinds that were there before and after, weighed by how well each is known, and its standard error [log].

    kind, after, values, scale : shape (n,); NaN and infinity where no kind has FEWEST runs on both sides
    """
    total, weight = 0.0, 0.0
    for name in np.unique(kind):
        left, right = np.flatnonzero((kind == name) & ~after), np.flatnonzero((kind == name) & after)
        if min(len(left), len(right)) < FEWEST:
            continue
        (m0, s0), (m1, s1) = robust_mean(values[left], scale[left]), robust_mean(values[right], scale[right])
        total += (m1 - m0) / (s0**2 + s1**2)
        weight += 1 / (s0**2 + s1**2)
    return (total / weight, weight**-0.5) if weight else (np.nan, np.inf)
