"""The runs that differed most from what was expected of them, and what they look like."""

from __future__ import annotations

import numpy as np
import pandas as pd

from calib.calibration.recalibrate import GROSS

NEIGHBOURS = 7  # runs around one that tell an error of one log from a change of the work
HOUR = 60.0
WRONG_UNIT = 1.25  # a ratio within this factor of 60 looks like hours taken for minutes
LOST = 2 * HOUR  # so much more than expected looks like a timer that nobody stopped; common practice, no source


def find_suspects(errors: pd.DataFrame, count: int = 5) -> pd.DataFrame:
    """The ``count`` largest errors of one cell, the largest first.

    errors : rows of ``Calibrator.errors`` of one cell, in order of their ends
    Returns their columns and ratio (actual / expected), likely_wrong, says.
    """
    if "censored" in errors:
        errors = errors[~errors["censored"].astype(bool)]
    around = errors["z"].rolling(NEIGHBOURS, center=True, min_periods=1).median()
    alone = (errors["z"] - around).abs()
    found = errors.assign(ratio=errors["actual_min"] / errors["expected_min"], alone=alone)
    found = found.assign(likely_wrong=(found["alone"] > GROSS) & (found["z"].abs() > GROSS))
    found = found.iloc[np.argsort(-found["z"].abs().to_numpy(), kind="stable")]
    found = found.drop_duplicates("run_key").head(count)  # a shared load is one run of several builds
    return found.assign(says=[_looks_like(row) for row in found.itertuples()]).reset_index(drop=True)


def _looks_like(row) -> str:  # type: ignore[no-untyped-def]
    if not row.likely_wrong:
        return "others around it too: the work changed" if abs(row.z) > GROSS else "unusual, yet it happens"
    if 1 / WRONG_UNIT < row.ratio / HOUR < WRONG_UNIT:
        return "likely a wrong log: seconds written as minutes?"
    if 1 / WRONG_UNIT < row.ratio * HOUR < WRONG_UNIT:
        return "likely a wrong log: hours written as minutes?"
    if row.ratio < 1:
        return "likely a wrong log: only a part of the work, or the wrong build?"
    lost = row.actual_min - row.expected_min > LOST
    return "likely a wrong log: a timer that nobody stopped?" if lost else "likely a wrong log, or a hard build"
