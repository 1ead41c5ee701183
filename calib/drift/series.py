"""One-step-ahead errors of the calibration -> one series for each stage of each process."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from calib.drift.chart import BEFORE, FEWEST
from calib.errors import CalibError
from calib.records import STAGES

NEEDED = (
    "process", "stage", "ended_at", "baseline_min", "actual_min", "expected_min", "scale", "covariate_effect", "censored", "found",
)  # fmt: skip
LEARNING_DAYS = 28  # after a stage's first run: no change is dated inside them
MOST_RUNS = 3000  # of one stage, the last ones: bounds time and memory
SELDOM = 2.0  # [runs a week] bench stages with fewer are also charted together
TOGETHER = "bench_work"
POOLED_BY = ("station", "material")


@dataclass(frozen=True, eq=False)
class Series:
    """Runs of one stage of one process, in order of their ends.

    rows : the errors frame's rows
    at : shape (n,), ends [days since 1970]
    value : shape (n,), log(actual / baseline) less what the model puts down to who, where, what and size now: the
        stage's own level and noise. What it knows now is the same for all runs, so it takes no change away [-]
    error : shape (n,), log(actual / expected at the time) [-]
    scale : shape (n,), predicted spread of the error [-]
    level : shape (n,), the same of what was expected at the time: the stage's own level as the model knew it [-]
    settled : first run at which a change may be dated
    """

    process: str
    stage: str
    rows: pd.DataFrame
    at: np.ndarray
    value: np.ndarray
    error: np.ndarray
    scale: np.ndarray
    level: np.ndarray
    settled: int

    @property
    def pace(self) -> float:
        """Runs a year."""
        return float(len(self.at) / max(self.at[-1] - self.at[0], 28.0) * 365.25)

    def until(self, day: float) -> Series:
        """The series as it was on a day."""
        n = int(np.searchsorted(self.at, day))
        arrays = {name: getattr(self, name)[:n] for name in ("at", "value", "error", "scale", "level")}
        return replace(self, rows=self.rows.iloc[:n], **arrays)

    @property
    def enough(self) -> bool:
        return len(self.at) >= FEWEST


def find_series(errors: pd.DataFrame, as_of: pd.Timestamp) -> list[Series]:
    """One series for each process and stage with at least one whole run, in order of process and stage.

    errors : as of ``Calibrator.errors``. Raises CalibError where columns are missing: a fit of an older version.
    """
    missing = [name for name in NEEDED if name not in errors.columns]
    if missing:
        raise CalibError(
            f"The errors of the calibration lack the columns {', '.join(missing)}.",
            "They are from an older fit. Run: calib fit, then again.",
        )
    whole = (
        ~errors["censored"].astype(bool)
        & ~errors["found"].astype(bool)
        & (errors["scale"] > 0)
        & (errors["actual_min"] > 0)
    )
    usable = errors[whole & (errors["ended_at"] <= as_of)].sort_values("ended_at", kind="stable")
    groups = usable.groupby(["process", "stage"], sort=True, observed=True)
    return [series_of(str(process), str(stage), rows.tail(MOST_RUNS)) for (process, stage), rows in groups]


def series_of(process: str, stage: str, rows: pd.DataFrame) -> Series:
    error = np.log(rows["actual_min"].to_numpy(float) / rows["expected_min"].to_numpy(float))
    ratio = rows["actual_min"].to_numpy(float) / rows["baseline_min"].to_numpy(float)
    value = np.log(ratio) - rows["covariate_effect"].to_numpy(float)
    at = days(rows["ended_at"])
    return Series(
        process,
        stage,
        rows.reset_index(drop=True),
        at,
        value,
        error,
        rows["scale"].to_numpy(float),
        value - error,
        max(BEFORE, int(np.searchsorted(at, at[0] + LEARNING_DAYS))),
    )


def bench_together(charts: list[Series]) -> list[Series]:
    """All bench work of a process as one series, where at least two of its stages have few runs a week.

    Errors of the time, not levels: stages that have few runs are learned slowly, and their levels differ.
    """
    together = []
    for process in dict.fromkeys(chart.process for chart in charts):
        few = [c for c in charts if c.process == process and by_hand(c.stage) and c.pace < SELDOM * 365.25 / 7]
        if len(few) < 2 or sum(len(chart.at) for chart in few) < FEWEST:
            continue
        rows = pd.concat([chart.rows for chart in few]).sort_values("ended_at", kind="stable")
        joined = series_of(process, TOGETHER, rows)
        together.append(replace(joined, value=joined.error, level=np.zeros(len(joined.at))))
    return together


def pooled(charts: list[Series]) -> list[Series]:
    """All runs at one station, or in one material, as one series, where they are of two stages or processes at least.

    A cabinet that serves two processes is slower in both: each stage alone has half of the runs that tell. Errors of the
    time, as for bench work together. The process of such a series is what it is pooled by, its stage the value; the stage of a
    row is PROCESS:STAGE.
    """
    return [series for by in POOLED_BY for series in pooled_by([c for c in charts if by in c.rows], by)]


def pooled_by(charts: list[Series], by: str) -> list[Series]:
    if not charts:
        return []
    runs = pd.concat([chart.rows for chart in charts]).drop(columns="now_min", errors="ignore")
    runs["stage"] = runs["process"].astype(str) + ":" + runs["stage"].astype(str)
    value_of, stage_of = runs[by].astype("string").to_numpy(object), runs["stage"].to_numpy(object)
    often = runs.groupby([value_of, stage_of])["stage"].transform("size") >= BEFORE
    pools = []
    for value, rows in runs[often].groupby(value_of[often]):
        if rows["stage"].nunique() < 2:
            continue
        series = series_of(by, str(value), rows.sort_values("ended_at", kind="stable").tail(MOST_RUNS))
        if series.enough and series.pace >= SELDOM * 365.25 / 7:
            pools.append(replace(series, value=series.error, level=np.zeros(len(series.at))))
    return pools


def by_hand(stage: str) -> bool:
    return stage in STAGES and STAGES[stage].hands == "all"


def days(times: pd.Series) -> np.ndarray:
    """Time stamps as days since 1970, UTC, shape (n,)."""
    stamps = pd.to_datetime(times, utc=True)
    return ((stamps - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(days=1)).to_numpy(float)
