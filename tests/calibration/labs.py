"""Small invented labs for the tests."""

from __future__ import annotations

import numpy as np
import pandas as pd


def lab(n: int = 120, seed: int = 0, ratio: float = 1.3, spread: float = 0.1, weeks: int = 12) -> pd.DataFrame:
    """Runs of three stages on two machines by two people; every ratio is around ``ratio``."""
    rng = np.random.default_rng(seed)
    stage = rng.choice(["printing", "unloading", "sanding"], n)
    machine = rng.choice(["A", "B"], n)
    baseline = np.exp(rng.normal(4, 0.5, n)).round(1)
    log = np.log(ratio) + 0.1 * (machine == "B") + spread * rng.standard_normal(n)
    return pd.DataFrame(
        {
            "process": "MEX",
            "stage": stage,
            "machine": machine,
            "operator": np.where(stage == "printing", None, rng.choice(["ann", "bo"], n)),
            "material": rng.choice(["white", None], n),
            "build_id": [f"b{i // 3}" for i in range(n)],
            "baseline_min": baseline,
            "actual_min": baseline * np.exp(log),
            "ended_at": pd.Timestamp("2026-01-05", tz="UTC")
            + pd.to_timedelta(np.sort(rng.integers(0, weeks * 7 * 24 * 60, n)), unit="min"),
        }
    )


def plan(**columns) -> pd.DataFrame:
    """One row to predict."""
    return pd.DataFrame([{"process": "MEX", "stage": "printing", "baseline_min": 60.0, **columns}])
