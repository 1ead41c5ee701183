"""The runs that differed most from what was expected of them, and what they look like."""

from __future__ import annotations

import numpy as np
import pandas as pd

from calib.calibration.recalibrate import GROSS

NEIGHBOURS = 7  # runs around one that tell an error of one log from a change of the work
MOVED = 1.0  # their median normal score from which on they have moved too
FIRST = 5  # runs of the cell below which little was known
HOUR = 60.0
WRONG_UNIT = 1.25  # a ratio within this factor of 60 looks like hours taken for minutes
LOST = 2 * HOUR  # so much more than expected looks like a timer that nobody stopped; common practice, no source


def find_suspects(errors: pd.DataFrame, count: int = 5) -> pd.DataFrame:
    """The ``count`` largest errors of one cell, the largest first.

    errors : rows of ``Calibrator.errors_`` of one cell, in order of their ends
    Returns their columns and ratio (actual / expected), likely_wrong, says.
    """
    if "censored" in errors:
        errors = errors[~errors["censored"].astype(bool)]
    errors = errors.drop_duplicates("run_key")  # a shared load is one run of several builds
    around = errors["z"].rolling(NEIGHBOURS, center=True, min_periods=1).median()
    gross = errors["z"].abs() > GROSS
    found = errors.assign(
        ratio=errors["actual_min"] / errors["expected_min"],
        changed=gross & (around * np.sign(errors["z"]) > MOVED),
        likely_wrong=gross & (around * np.sign(errors["z"]) <= MOVED),
    )
    found = found.iloc[np.argsort(-found["z"].abs().to_numpy(), kind="stable")[:count]]
    return found.assign(says=[_looks_like(row) for row in found.itertuples()]).reset_index(drop=True)


def likely_wrong(errors: pd.DataFrame) -> pd.DataFrame:
    """Of every cell those among its largest errors that look like wrong logs: run_key, ratio, says.

    errors : rows of ``Calibrator.errors_``, in order of their ends
    """
    names = ["run_key", "ratio", "says"]
    groups = errors.groupby(["process", "stage"])
    cells = [find_suspects(cell) for _, cell in groups if (cell["z"].abs() > GROSS).any()]
    found = [cell.loc[cell["likely_wrong"], names] for cell in cells]
    return pd.concat(found, ignore_index=True) if found else pd.DataFrame(columns=names)


def _looks_like(row) -> str:  # type: ignore[no-untyped-def]
    if not row.likely_wrong:
        early = "one of its first runs: little was known" if row.runs_behind < FIRST else "unusual, yet it happens"
        return "others around it too: the work changed" if row.changed else early
    if 1 / WRONG_UNIT < row.ratio / HOUR < WRONG_UNIT:
        return "likely a wrong log: seconds written as minutes?"
    if 1 / WRONG_UNIT < row.ratio * HOUR < WRONG_UNIT:
        return "likely a wrong log: hours written as minutes?"
    if row.ratio < 1:
        return "likely a wrong log: only a part of the work, or the wrong build?"
    lost = row.actual_min - row.expected_min > LOST
    return "likely a wrong log: a timer that nobody stopped?" if lost else "likely a wrong log, or a hard build"
