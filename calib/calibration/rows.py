"""A frame of runs or of rows to predict -> arrays of one length each, every unusable row counted with its reason."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from calib.calibration.columns import (
    LEAST_MIN,
    MOST_MIN,
    MOST_SD,
    NO_TIME,
    UNKNOWN,
    factorized,
    is_duration,
    labels,
    nanoseconds,
    numbers,
    numbers_within,
    strange,
    truth,
)
from calib.calibration.options import FACTORS, Options
from calib.errors import UsageError
from calib.records import STAGES, TERM_COLUMNS, TERMS

WEEK_NS = 7 * 24 * 3600 * 10**9
BY_ROW = ("y", "ended", "build", "censored", "width", "baseline_min", "prior_sd", "floor_min")
MONDAY_NS = 4 * 24 * 3600 * 10**9  # 1970-01-05, the first Monday of the epoch


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

    @classmethod
    def unknown(cls, count: int, **known: Any) -> Rows:
        """``count`` rows of one part each, of which only ``known`` is known: fields by name, shape (count,) or (count, TERMS)."""
        blank: dict[str, Any] = {
            "labels": {},
            "part_row": np.arange(count),
            "share": np.ones(count),
            "log_baseline": np.zeros(count),
            "attended": np.zeros(count, np.int8),
            "y": np.full(count, np.nan),
            "ended": np.zeros(count, np.int64),
            "build": np.full(count, UNKNOWN),
            "censored": np.zeros(count, bool),
            "width": np.zeros(count),
            "baseline_min": np.ones(count),
            "prior_sd": np.full(count, np.nan),
            "floor_min": np.zeros(count),
        }
        return cls(**blank | known)

    def take(self, start: int, stop: int) -> tuple[Rows, slice]:
        """Rows ``start`` to before ``stop`` by themselves, and the slice of their parts."""
        first, last = np.searchsorted(self.part_row, [start, stop])
        here, parts = slice(start, stop), slice(int(first), int(last))
        by_part = {name: getattr(self, name)[parts] for name in ("share", "log_baseline", "attended", "terms")}
        by_row = {name: getattr(self, name)[here] for name in BY_ROW}
        labels = {name: values[parts] for name, values in self.labels.items()}
        return Rows(labels, self.part_row[parts] - start, **by_part, **by_row), parts


def read_runs(runs: pd.DataFrame, options: Options) -> Rows:
    """Runs to learn from, in order of their ends; rows that cannot be used are counted in ``left_out``.

    Raises UsageError when a needed column is missing.
    """
    _need(runs, (*options.group, "baseline_min", "actual_min", "ended_at"), "runs")
    baseline, actual, ended = numbers(runs, "baseline_min"), numbers(runs, "actual_min"), nanoseconds(runs, "ended_at")
    reasons = {
        "no end": ended == NO_TIME,
        "no group": ~np.all([pd.notna(labels(runs, name)) for name in options.group], axis=0),
        "no baseline above 0": ~(np.isfinite(baseline) & (baseline > 0)),
        "no actual above 0": ~(np.isfinite(actual) & (actual > 0)),
        "no minutes that a run can take": ~(is_duration(baseline) & is_duration(actual)),
    }
    left_out, good = {}, np.ones(len(runs), bool)
    for reason, bad in reasons.items():
        if (bad & good).any():
            left_out[reason] = int((bad & good).sum())
        good &= ~bad
    kept = np.flatnonzero(good)
    kept = kept[_order(runs.iloc[kept], ended[kept], baseline[kept], actual[kept], options)]
    used = runs.iloc[kept]
    rows = _rows(used, options)
    rows.ended, rows.left_out, rows.source = ended[kept], left_out, kept
    rows.y = np.log(actual[kept] / baseline[kept])
    if "censored" in runs:
        rows.censored = truth(used, "censored") == 1
    if "low_min" in runs:
        low = numbers(used, "low_min")
        between = is_duration(low) & (low < actual[kept])
        rows.width = np.where(between, np.log(actual[kept] / np.where(between, low, actual[kept])), 0.0)
        rows.y -= rows.width / 2
    return rows


def read_plans(plans: pd.DataFrame, options: Options) -> Rows:
    """Rows to predict. Raises UsageError for a missing column, or a value that is none, with its row."""
    _need(plans, (*options.group, "baseline_min"), "rows")
    baseline = numbers(plans, "baseline_min")
    if not is_duration(baseline).all():
        at = int(np.flatnonzero(~is_duration(baseline))[0])
        rule = f"is not a duration; minutes above 0, up to {MOST_MIN:g}, are expected"
        raise strange(plans, "baseline_min", at, rule, "Leave the row out or give it a baseline.")
    if "prior_sd" in plans:
        numbers_within(plans, "prior_sd", 0.0, MOST_SD, f"an sd of log minutes from 0 to {MOST_SD:g}")
    if "floor_min" in plans:
        numbers_within(plans, "floor_min", 0.0, MOST_MIN, f"a floor: minutes from 0 to {MOST_MIN:g}")
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


def _order(
    runs: pd.DataFrame, ended: np.ndarray, baseline: np.ndarray, actual: np.ndarray, options: Options
) -> np.ndarray:
    """Order by end, then by content, so that the order of the frame does not matter."""
    keys = {"actual": actual, "baseline": baseline, "ended": ended}
    tied = np.flatnonzero(pd.DataFrame(keys).duplicated(keep=False))
    names = (*options.group, *FACTORS, "build_id", "run_key")
    texts = [labels(runs.iloc[tied], name).astype(str) for name in names if name in runs]
    place = np.zeros(len(runs), int)
    place[tied[np.lexsort(texts[::-1])]] = np.arange(len(tied))
    return np.lexsort((place, *keys.values()))


def _rows(frame: pd.DataFrame, options: Options) -> Rows:
    n = len(frame)
    rows = Rows.unknown(
        n,
        labels={name: labels(frame, name) for name in (*options.group, *FACTORS, "basis")},
        log_baseline=np.log(numbers(frame, "baseline_min")),
        build=_build_codes(frame),
        baseline_min=numbers(frame, "baseline_min"),
        prior_sd=_optional(frame, "prior_sd", np.nan, MOST_SD),
        floor_min=np.nan_to_num(_optional(frame, "floor_min", 0.0, MOST_MIN)),
    )
    if "stage" in options.group:
        _split_sums(rows, frame)
    rows.terms = _terms(frame, rows)
    rows.attended = _attended(frame, rows)
    return rows


def _terms(frame: pd.DataFrame, rows: Rows) -> np.ndarray:
    """Shares of the baseline's terms of each part; a row that covers several cells does not say them."""
    table = np.column_stack([_optional(frame, name, np.nan, np.inf) for name in TERM_COLUMNS])
    several = np.bincount(rows.part_row, minlength=len(frame))[rows.part_row] > 1
    return np.where(several[:, None], np.nan, table[rows.part_row])


def _optional(frame: pd.DataFrame, name: str, default: float, most: float) -> np.ndarray:
    """Numbers from 0 to ``most``; NaN where there is none."""
    if name not in frame:
        return np.full(len(frame), default)
    found = numbers(frame, name)
    return np.where((found >= 0) & (found <= most), found, np.nan)


def _build_codes(frame: pd.DataFrame) -> np.ndarray:
    """Codes of builds; rows of one order without a build belong together too."""
    name = "build_id" if "build_id" in frame else "order_id" if "order_id" in frame else None
    if name is None:
        return np.full(len(frame), UNKNOWN)
    return np.asarray(factorized(frame, name)[0])


def _split_sums(rows: Rows, frame: pd.DataFrame) -> None:
    """Turn rows of stages 'a+b+c' into parts, by ``shares`` where given, else evenly."""
    stage = rows.labels["stage"]
    if not any(name is not None and "+" in name for name in stage):
        return
    given = frame["shares"].tolist() if "shares" in frame else [None] * len(frame)
    part_row, names, minutes = [], [], []
    for i, name in enumerate(stage):
        split = {name: rows.baseline_min[i]}
        if name is not None and "+" in name:
            pieces = [piece.strip() for piece in name.split("+") if piece.strip()] or [name]
            split = _stated_minutes(given[i], pieces, frame.index[i]) or dict.fromkeys(
                pieces, rows.baseline_min[i] / len(pieces)
            )
        for piece, part_min in split.items():
            part_row.append(i)
            names.append(piece)
            minutes.append(part_min)
    rows.part_row = np.array(part_row)
    rows.labels = {key: values[rows.part_row] for key, values in rows.labels.items()}
    rows.labels["stage"] = np.array(names, dtype=object)
    rows.log_baseline = np.log(np.array(minutes))
    total = np.bincount(rows.part_row, minutes, rows.count)
    rows.share = np.array(minutes) / total[rows.part_row]


def _stated_minutes(shares: Any, pieces: list[str], row: Any) -> dict[str, float]:
    """Minutes of each stage of a sum as the row says them; empty where it says nothing."""
    if shares is None or (isinstance(shares, float) and np.isnan(shares)) or shares is pd.NA:
        return {}
    try:
        stated = {name: float(shares[name]) for name in pieces if shares.get(name) is not None}
        if not all(np.isnan(value) or 0 <= value <= MOST_MIN for value in stated.values()):
            raise ValueError
    except (AttributeError, TypeError, ValueError):
        raise UsageError(
            f"row {row!r}, column shares: {shares!r} does not say the minutes of each stage.",
            f"Give numbers by stage, such as {dict.fromkeys(pieces, 30.0)}, or None for even shares.",
        ) from None
    return {name: value for name, value in stated.items() if value >= LEAST_MIN}


def _attended(frame: pd.DataFrame, rows: Rows) -> np.ndarray:
    """1 where a person works throughout: as the frame says, as the stage's record says, or where persons are named."""
    stated = np.full(len(rows.part_row), UNKNOWN)
    if "stage" in rows.labels:
        hands = {name: int(stage.hands in ("all", "part")) for name, stage in STAGES.items()}
        stated = np.array([hands.get(name, UNKNOWN) for name in rows.labels["stage"]], int).reshape(-1)
    if "attended" in frame:
        column = truth(frame, "attended")[rows.part_row]
        stated = np.where(column != UNKNOWN, column, stated)
    named = np.array([name is not None for name in rows.labels["operator"]], bool)
    return np.where(stated != UNKNOWN, stated, named).astype(np.int8)
