"""A change of part mix is no drift: is anything left of a change when like is compared with like?"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from calib.drift.change import Z90, robust_mean

FEWEST = 4  # runs of a kind on each side of the change
SIZES = 3  # parts into which runs are divided by their baseline
FAR = 0.35  # share of runs that are of another kind than before, from which on a mix is called changed


def mix_cause(
    rows: pd.DataFrame, values: np.ndarray, scale: np.ndarray, run: int, size: float
) -> dict[str, Any] | None:
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
    apart = float((shares[True] - shares[False]).abs().sum() / 2)
    if apart < FAR:
        return None
    within, se = within_kinds(kind, after, values, scale)
    if np.isfinite(se) and (abs(within) > abs(size) / 2 or abs(within) > Z90 * se):
        return None
    grown = str((shares[True] - shares[False]).idxmax())
    what = " ".join(part for part in (grown.split("|")[1], "runs", grown.split("|")[0] and f"in {grown.split('|')[0]}"))
    return {"kind": what.strip(), "before": float(shares[False][grown]), "after": float(shares[True][grown])}


def within_kinds(kind: np.ndarray, after: np.ndarray, values: np.ndarray, scale: np.ndarray) -> tuple[float, float]:
    """Change of kinds that were there before and after, weighed by how well each is known, and its standard error."""
    total, weight = 0.0, 0.0
    for one in np.unique(kind):
        left, right = np.flatnonzero((kind == one) & ~after), np.flatnonzero((kind == one) & after)
        if min(len(left), len(right)) < FEWEST:
            continue
        (m0, s0), (m1, s1) = robust_mean(values[left], scale[left]), robust_mean(values[right], scale[right])
        total += (m1 - m0) / (s0**2 + s1**2)
        weight += 1 / (s0**2 + s1**2)
    return (total / weight, weight**-0.5) if weight else (np.nan, np.inf)
