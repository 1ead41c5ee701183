"""A frame of runs or of rows to predict -> arrays of one length each, every unusable row counted with its reason."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from calib.calibration.options import FACTORS, Options
from calib.errors import UsageError
from calib.records import STAGES, TERM_COLUMNS, TERMS

WEEK_NS = 7 * 24 * 3600 * 10**9
MONDAY_NS = 4 * 24 * 3600 * 10**9  # 1970-01-05, the first Monday of the epoch
UNKNOWN = -1


@dataclass(eq=False)
class Rows:
    """Rows as arrays; a row that covers several cells has several parts, any other has one.

    labels : column -> shape (parts,), text or None where not known; columns are the group's and the factors
    part_row, share : shape (parts,), row of each part and its share of the row's baseline [-]
    log_baseline : shape (parts,), [log min]
    attended : shape (parts,), 1 where a person works throughout, else 0
    y : shape (rows,), log(actual / baseline); NaN where it is to be predicted [-]
    ended : shape (rows,), [ns since the epoch, UTC]; week : shape (rows,), Mondays since the epoch
    build : shape (rows,), code of the build or UNKNOWN
    censored : shape (rows,), at least this long; width : shape (rows,), log width of where the end may lie [-]
    baseline_min, prior_sd, floor_min : shape (rows,), [min], [-], [min]
    terms : shape (parts, TERMS), shares of the baseline's terms; NaN where not known [-]
    """

    labels: dict[str, np.ndarray]
    part_row: np.ndarray
    share: np.ndarray
    log_baseline: np.ndarray
    attended: np.ndarray
    y: np.ndarray
    ended: np.ndarray
    build: np.ndarray
    censored: np.ndarray
    width: np.ndarray
    baseline_min: np.ndarray
    prior_sd: np.ndarray
    floor_min: np.ndarray
    left_out: dict[str, int] = field(default_factory=dict)
    source: np.ndarray = field(default_factory=lambda: np.zeros(0, int))
    terms: np.ndarray = field(default_factory=lambda: np.zeros((0, TERMS)))

    @property
    def count(self) -> int:
        return len(self.y)

    @property
    def week(self) -> np.ndarray:
        return (self.ended - MONDAY_NS) // WEEK_NS


def read_runs(runs: pd.DataFrame, options: Options) -> Rows:
    """Runs to learn from, in order of their ends; rows that cannot be used are counted in ``left_out``.

    Raises UsageError when a needed column is missing.
    """
    _need(runs, (*options.group, "baseline_min", "actual_min", "ended_at"), "runs")
    baseline, actual = _numbers(runs, "baseline_min"), _numbers(runs, "actual_min")
    ended = _nanoseconds(runs["ended_at"])
    group_known = np.all([pd.notna(_labels(runs, name)) for name in options.group], axis=0)
    reasons = {
        "no end": ended == np.iinfo(np.int64).min,
        "no group": ~group_known,
        "no baseline above 0": ~(np.isfinite(baseline) & (baseline > 0)),
        "no actual above 0": ~(np.isfinite(actual) & (actual > 0)),
    }
    left_out, good = {}, np.ones(len(runs), bool)
    for reason, bad in reasons.items():
        if (bad & good).any():
            left_out[reason] = int((bad & good).sum())
        good &= ~bad
    kept = np.flatnonzero(good)
    kept = kept[_order(runs, kept, ended, baseline, actual, options)]
    rows = _rows(runs.iloc[kept], options)
    rows.ended, rows.left_out, rows.source = ended[kept], left_out, kept
    rows.y = np.log(actual[kept] / baseline[kept])
    if "censored" in runs:
        rows.censored = _truth(runs, "censored")[kept] == 1
    if "low_min" in runs:
        low = _numbers(runs, "low_min")[kept]
        between = np.isfinite(low) & (low > 0) & (low < actual[kept])
        rows.width = np.where(between, np.log(actual[kept] / np.where(between, low, actual[kept])), 0.0)
        rows.y -= rows.width / 2
    return rows


def read_plans(plans: pd.DataFrame, options: Options) -> Rows:
    """Rows to predict. Raises UsageError for a missing column or a baseline that is not above 0."""
    _need(plans, (*options.group, "baseline_min"), "rows")
    baseline = _numbers(plans, "baseline_min")
    bad = ~(np.isfinite(baseline) & (baseline > 0))
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        raise UsageError(
            f"row {plans.index[at]!r}, column baseline_min: {baseline[at]} is not a duration; minutes above 0 expected",
            "Leave the row out or give it a baseline.",
        )
    return _rows(plans, options)


def _need(frame: pd.DataFrame, columns: tuple[str, ...], what: str) -> None:
    if not isinstance(frame, pd.DataFrame):
        raise UsageError(f"{what} must be a pandas frame, not {type(frame).__name__}")
    twice = frame.columns[frame.columns.duplicated()]
    if len(twice):
        raise UsageError(f"{what} have the column {twice[0]} twice", "Leave one of them out, or rename it.")
    missing = [name for name in columns if name not in frame]
    if missing:
        raise UsageError(
            f"{what} lack the column{'s' if len(missing) > 1 else ''} {', '.join(missing)}; they have "
            f"{', '.join(map(str, frame.columns)) or 'none'}",
            "Rename the columns, or name others in Calibrator(group=(...)).",
        )


def _numbers(frame: pd.DataFrame, name: str) -> np.ndarray:
    if frame[name].dtype.kind in "mMc":
        raise UsageError(f"column {name} holds {frame[name].dtype}; numbers expected", "Durations are plain minutes.")
    return pd.to_numeric(frame[name], errors="coerce").to_numpy(float, na_value=np.nan)


def _nanoseconds(stamps: pd.Series) -> np.ndarray:
    """UTC nanoseconds; stamps without a zone are taken as UTC; a missing one is the least integer."""
    try:
        if stamps.dtype.kind in "iu":
            raise TypeError(f"{stamps.dtype} is a number, not a time")
        utc = pd.to_datetime(stamps, utc=True, format="ISO8601")
        return utc.dt.tz_localize(None).astype("datetime64[ns]").to_numpy().astype(np.int64)
    except (ValueError, TypeError) as error:
        raise UsageError(
            f"column ended_at: {str(error).splitlines()[0].rstrip('.')}",
            "Time stamps are expected, or texts such as 2026-11-23T08:00+01:00, of the years 1678 to 2261.",
        ) from None


def _truth(frame: pd.DataFrame, name: str) -> np.ndarray:
    """1 for true, 0 for false, UNKNOWN where missing."""
    told = frame[name].astype(object).map({True: 1, False: 0}.get, na_action="ignore")
    strange = frame[name][(told.isna() & frame[name].notna()).to_numpy()]
    if len(strange):
        raise UsageError(f"column {name}: {strange.iloc[0]!r} is neither true nor false", "Give True, False or None.")
    return told.fillna(UNKNOWN).to_numpy(int)


def _order(
    runs: pd.DataFrame, kept: np.ndarray, ended: np.ndarray, baseline: np.ndarray, actual: np.ndarray, options: Options
) -> np.ndarray:
    """Order by end, then by content, so that the order of the frame does not matter."""
    texts = [
        runs[name].iloc[kept].astype(str).to_numpy(str)
        for name in (*options.group, *FACTORS, "build_id", "run_key")
        if name in runs
    ]
    return np.lexsort((*texts[::-1], actual[kept], baseline[kept], ended[kept]))


def _rows(frame: pd.DataFrame, options: Options) -> Rows:
    n = len(frame)
    labels = {name: _labels(frame, name) for name in (*options.group, *FACTORS, "basis")}
    rows = Rows(
        labels=labels,
        part_row=np.arange(n),
        share=np.ones(n),
        log_baseline=np.log(_numbers(frame, "baseline_min")),
        attended=np.zeros(n, np.int8),
        y=np.full(n, np.nan),
        ended=np.zeros(n, np.int64),
        build=_build_codes(frame),
        censored=np.zeros(n, bool),
        width=np.zeros(n),
        baseline_min=_numbers(frame, "baseline_min"),
        prior_sd=_optional(frame, "prior_sd", np.nan),
        floor_min=np.nan_to_num(_optional(frame, "floor_min", 0.0)),
    )
    if "stage" in options.group:
        _split_sums(rows, frame)
    rows.terms = _terms(frame, rows)
    rows.attended = _attended(frame, rows)
    return rows


def _terms(frame: pd.DataFrame, rows: Rows) -> np.ndarray:
    """Shares of the baseline's terms of each part; a row that covers several cells does not say them."""
    table = np.column_stack([_optional(frame, name, np.nan) for name in TERM_COLUMNS])
    several = np.bincount(rows.part_row, minlength=len(frame))[rows.part_row] > 1
    return np.where(several[:, None], np.nan, table[rows.part_row])


def _optional(frame: pd.DataFrame, name: str, default: float) -> np.ndarray:
    return _numbers(frame, name) if name in frame else np.full(len(frame), default)


def _labels(frame: pd.DataFrame, name: str) -> np.ndarray:
    """Text of each value, its blanks (and separators) as one space, None where it is not known."""
    if name not in frame:
        return np.full(len(frame), None, dtype=object)
    codes, values = pd.factorize(frame[name])
    texts = np.array([*(" ".join(str(value).split()) or None for value in values), None], dtype=object)
    return texts[codes]


def _build_codes(frame: pd.DataFrame) -> np.ndarray:
    """Codes of builds; rows of one order without a build belong together too."""
    name = "build_id" if "build_id" in frame else "order_id" if "order_id" in frame else None
    if name is None:
        return np.full(len(frame), UNKNOWN)
    return np.asarray(pd.factorize(frame[name])[0])


def _split_sums(rows: Rows, frame: pd.DataFrame) -> None:
    """Turn rows of stages 'a+b+c' into parts, by ``shares`` where given, else evenly."""
    stage = rows.labels["stage"]
    sums = [i for i, name in enumerate(stage) if name is not None and "+" in name]
    if not sums:
        return
    given = frame["shares"].to_numpy() if "shares" in frame else np.full(len(frame), None, dtype=object)
    part_row, names, minutes = [], [], []
    for i, name in enumerate(stage):
        split = _shares(name, given[i], rows.baseline_min[i]) if name is not None and "+" in name else None
        for piece, part_min in (split or {name: rows.baseline_min[i]}).items():
            part_row.append(i)
            names.append(piece)
            minutes.append(part_min)
    rows.part_row = np.array(part_row)
    rows.labels = {key: values[rows.part_row] for key, values in rows.labels.items()}
    rows.labels["stage"] = np.array(names, dtype=object)
    rows.log_baseline = np.log(np.array(minutes))
    total = np.bincount(rows.part_row, minutes, rows.count)
    rows.share = np.array(minutes) / total[rows.part_row]


def _shares(stage: str, given: Any, baseline_min: float) -> dict[str, float]:
    names = [piece.strip() for piece in stage.split("+") if piece.strip()]
    if isinstance(given, dict):
        known = {name: float(given[name]) for name in names if given.get(name) and float(given[name]) > 0}
        if known:
            return known
    return {name: baseline_min / len(names) for name in names}


def _attended(frame: pd.DataFrame, rows: Rows) -> np.ndarray:
    """1 where a person works throughout: as the frame says, as the stage's record says, or where persons are named."""
    told = np.full(len(rows.part_row), UNKNOWN)
    if "stage" in rows.labels:
        hands = {name: int(stage.hands in ("all", "part")) for name, stage in STAGES.items()}
        told = np.array([hands.get(name, UNKNOWN) for name in rows.labels["stage"]], int).reshape(-1)
    if "attended" in frame:
        column = _truth(frame, "attended")[rows.part_row]
        told = np.where(column != UNKNOWN, column, told)
    named = np.array([name is not None for name in rows.labels["operator"]], bool)
    return np.where(told != UNKNOWN, told, named).astype(np.int8)
