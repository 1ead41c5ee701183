"""Where a change comes from: each machine, station, material or person against the rest of the stage."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

FEWEST = 4  # runs on each side of the change before a slice is spoken of


def find_slices(
    rows: pd.DataFrame, values: np.ndarray, scale: np.ndarray, run: int, persons: bool
) -> list[dict[str, Any]]:
    """Change of each slice with enough runs on both sides, greatest first.

    values : shape (n,), log(actual/baseline) with who, where and what taken out [-]
    share : part of the stage's whole change that runs of this slice carry, 0 to 1
    """
    found = []
    total = float(np.sum(values[run:] - np.median(values[:run])))
    for by in ("machine", "station", "material", *(("operator",) if persons else ())):
        if by not in rows.columns or rows[by].nunique() < 2:
            continue
        for value in rows[by].dropna().unique():
            index = np.flatnonzero((rows[by] == value).to_numpy(bool, na_value=False))
            before, after = index[index < run], index[index >= run]
            if min(len(before), len(after)) < FEWEST:
                continue
            found.append(one_slice(by, str(value), values, scale, before, after, total))
    return sorted(found, key=lambda one: -abs(one["share"] or 0.0))


def one_slice(
    by: str, value: str, values: np.ndarray, scale: np.ndarray, before: np.ndarray, after: np.ndarray, total: float
) -> dict[str, Any]:
    centre = float(np.median(values[before]))
    shift = float(np.median(values[after])) - centre
    half = 1.6449 * 1.2533 * float(np.mean(scale)) * np.sqrt(1 / len(before) + 1 / len(after))
    carried = len(after) * shift / total if total else 0.0
    return {
        "by": by,
        "value": value,
        "change_pct": float(100 * np.expm1(shift)),
        "change_pct_low": float(100 * np.expm1(shift - half)),
        "change_pct_high": float(100 * np.expm1(shift + half)),
        "share": float(np.clip(carried, 0.0, 1.0)),
        "runs": len(after),
    }
