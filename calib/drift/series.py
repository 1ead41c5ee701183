"""One-step-ahead errors of the calibration -> one series for each chart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from calib.errors import CalibError

CLIP, FADED, LEAST = 2.0, 5.0, 1.0  # [sd] measured: the most important step; see bench/bench_drift.py
NEEDED = ("process", "stage", "ended_at", "baseline_min", "actual_min", "expected_min", "scale")
WHO_AND_WHERE = ("machine", "station", "operator", "material")


@dataclass(frozen=True, eq=False)
class Series:
    """Errors of one stage of one process, in order of their ends.

    rows : the errors frame's rows
    at : shape (n,), ends [days since 1970]
    score : shape (n,), error over its predicted spread, made robust [sd]
    error : shape (n,), log(actual / expected at the time) [-]
    scale : shape (n,), predicted spread of that [-]
    level : shape (n,), how far the calibration had moved its expectation of this stage since the first run; who, where
        and what were the run's are taken out [-]
    """

    process: str
    stage: str
    rows: pd.DataFrame
    at: np.ndarray
    score: np.ndarray
    error: np.ndarray
    scale: np.ndarray
    level: np.ndarray


def find_series(errors: pd.DataFrame, as_of: pd.Timestamp) -> list[Series]:
    """One series for each process and stage with at least one error, in order of process and stage."""
    missing = [name for name in NEEDED if name not in errors.columns]
    if missing:
        raise CalibError(
            f"The errors of the calibration lack the columns {', '.join(missing)}.",
            "Drift is checked on Calibrator.errors: fit first.",
        )
    usable = errors[(errors["ended_at"] <= as_of) & (errors["scale"] > 0) & (errors["actual_min"] > 0)]
    usable = usable.sort_values("ended_at", kind="stable")
    groups = usable.groupby(["process", "stage"], sort=True, observed=True)
    return [series_of(str(process), str(stage), rows) for (process, stage), rows in groups]


def series_of(process: str, stage: str, rows: pd.DataFrame) -> Series:
    error = np.log(rows["actual_min"].to_numpy(float) / rows["expected_min"].to_numpy(float))
    scale = rows["scale"].to_numpy(float)
    return Series(
        process,
        stage,
        rows.reset_index(drop=True),
        days(rows["ended_at"]),
        robust_score(error / scale),
        error,
        scale,
        level_path(rows),
    )


def robust_score(z: np.ndarray) -> np.ndarray:
    """Clipped at CLIP, then fading to LEAST at FADED: a forgotten timer says less than a run that is merely slow.

    It never fades to nothing, so that a change of many sd still raises the chart.

    >>> robust_score(np.array([-1.0, 2.0, 3.5, -80.0])).tolist()
    [-1.0, 2.0, 1.5, -1.0]
    """
    size = np.abs(z)
    fading = CLIP - (CLIP - LEAST) * (size - CLIP) / (FADED - CLIP)
    return np.sign(z) * np.where(size < CLIP, size, np.clip(fading, LEAST, CLIP))


def days(times: pd.Series) -> np.ndarray:
    """Time stamps as days since 1970, UTC."""
    stamps = pd.to_datetime(times, utc=True)
    return ((stamps - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(days=1)).to_numpy(float)


def level_path(rows: pd.DataFrame, rounds: int = 12) -> np.ndarray:
    """How the expectation of the stage moved with time, apart from who, where and what.

    log(expected / baseline) is fitted as week + combination of machine, station, person and material, by alternating
    means; the weeks' part comes back for each row, counted from the first week [-].
    """
    moved = np.log(rows["expected_min"].to_numpy(float) / rows["baseline_min"].to_numpy(float))
    week = codes(np.floor(days(rows["ended_at"]) / 7))
    factors = [name for name in WHO_AND_WHERE if name in rows.columns]
    combination = rows[factors].astype("string").fillna("?").agg("|".join, axis=1) if factors else np.zeros(len(rows))
    group = codes(np.asarray(combination))
    weeks, groups = np.zeros(week.max() + 1), np.zeros(group.max() + 1)
    for _ in range(rounds):
        groups = means(moved - weeks[week], group)
        weeks = means(moved - groups[group], week)
    return (weeks - weeks[0])[week]


def codes(values: np.ndarray) -> np.ndarray:
    return pd.factorize(values, sort=True)[0]


def means(values: np.ndarray, group: np.ndarray) -> np.ndarray:
    return np.bincount(group, values) / np.bincount(group)
