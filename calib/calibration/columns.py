"""One column of a frame -> numbers, texts, truth or times, each strange value named with its row and a remedy."""

from __future__ import annotations

from numbers import Integral, Real
from typing import Any

import numpy as np
import pandas as pd

from calib.errors import UsageError

UNKNOWN = -1
LEAST_MIN, MOST_MIN = 1e-50, 1e50  # durations of any trade, in any unit: far beyond, products overflow
MOST_SD = 10.0  # of a log ratio: a factor of 20,000 either way
NO_TIME = np.iinfo(np.int64).min


def numbers(frame: pd.DataFrame, name: str) -> np.ndarray:
    """Values as floats, NaN where there is none; the column's kind must be that of numbers or texts.

    Returns shape (rows,), in the column's unit [any]. Raises UsageError for a column of another kind.
    """
    found = pd.to_numeric(frame[name], errors="coerce") if frame[name].dtype.kind not in "mMc" else frame[name]
    if found.dtype.kind in "mMc":
        raise UsageError(f"column {name} holds {found.dtype}; numbers expected", "Durations are plain minutes.")
    return found.to_numpy(float, na_value=np.nan)


def numbers_within(frame: pd.DataFrame, name: str, least: float, most: float, what: str) -> np.ndarray:
    """The same; a value that is there must be a number between ``least`` and ``most``.

    Raises UsageError that names the row, for the first one that is not.
    Returns shape (rows,), in the column's unit [any].
    """
    found = numbers(frame, name)
    given = frame[name].notna().to_numpy()
    bad = np.flatnonzero(given & ~((found >= least) & (found <= most)))
    if len(bad):
        raise strange(frame, name, int(bad[0]), f"is not {what}", "Correct it, or leave it empty.")
    return found


def is_duration(minutes: np.ndarray) -> np.ndarray:
    """Whether each is a time that a run can take.

    minutes : shape (n,) [min]; returns shape (n,), true or false [-].
    """
    return np.asarray(np.isfinite(minutes) & (minutes >= LEAST_MIN) & (minutes <= MOST_MIN))


def factorized(frame: pd.DataFrame, name: str) -> tuple[np.ndarray, Any]:
    """Codes of the values of a column, UNKNOWN where missing, and the values.

    Codes: shape (rows,) [-]. Raises UsageError for a value that is no label, such as a list.
    """
    try:
        return pd.factorize(frame[name])
    except TypeError:
        values = frame[name].tolist()
        at = next(i for i, value in enumerate(values) if not _has_hash(value))
        raise strange(frame, name, at, "is not one value", "A text, a number or nothing is expected.") from None


def labels(frame: pd.DataFrame, name: str) -> np.ndarray:
    """Text of each value, its blanks (and separators) as one space, None where it is not known.

    Returns shape (rows,), texts [-].
    """
    if name not in frame:
        return np.full(len(frame), None, dtype=object)
    codes, values = factorized(frame, name)
    texts = np.array([*(" ".join(str(value).split()) or None for value in values), None], dtype=object)
    return np.asarray(texts[codes])


def truth(frame: pd.DataFrame, name: str) -> np.ndarray:
    """1 for true, 0 for false, UNKNOWN where missing.

    Returns shape (rows,) [-]. Raises UsageError that names the row, for the first value that is neither.
    """
    codes, values = factorized(frame, name)
    truths = [{True: 1, False: 0}.get(value) for value in values]
    if None in truths:
        at = int(np.flatnonzero(codes == truths.index(None))[0])
        raise strange(frame, name, at, "is neither true nor false", "Give True, False or None.")
    return np.asarray(np.array([*truths, UNKNOWN], int)[codes])


def nanoseconds(frame: pd.DataFrame, name: str) -> np.ndarray:
    """UTC nanoseconds; stamps without a zone are taken as UTC; NO_TIME where missing.

    Returns shape (rows,) [ns]. Raises UsageError for a column that holds no times.
    """
    stamps = frame[name]
    try:
        kind = pd.api.types.infer_dtype(stamps, skipna=True)
        if kind in ("integer", "floating", "mixed-integer", "mixed-integer-float", "boolean", "decimal", "complex"):
            raise TypeError(f"{stamps.dtype} is a number, not a time" if stamps.dtype != object else "numbers in it")
        utc = pd.to_datetime(stamps, utc=True, format="ISO8601")
        return utc.dt.tz_localize(None).astype("datetime64[ns]").to_numpy().astype(np.int64)
    except (ValueError, TypeError) as error:
        raise UsageError(
            f"column {name}: {str(error).splitlines()[0].split(' You might')[0].rstrip('.')}",
            "Time stamps are expected, or texts such as 2026-11-23T08:00+01:00, of the years 1678 to 2261.",
        ) from None


def whole_number(value: Any, name: str, least: int, most: int) -> int:
    """A whole number between two others. Raises UsageError for anything else."""
    is_number = isinstance(value, (int, float, np.number)) and not isinstance(value, bool)
    if not is_number or not least <= value <= most or value != int(value):
        raise UsageError(f"{name} is {value!r}; a whole number from {least} to {most} is expected")
    return int(value)


def number_between(value: Any, name: str, least: float, most: float) -> float:
    """A number above ``least``, up to ``most``. Raises UsageError for anything else."""
    if not isinstance(value, (int, float, np.number)) or isinstance(value, bool) or not least < value <= most:
        raise UsageError(f"{name} is {value!r}; a number above {least:g}, up to {most:g}, is expected")
    return float(value)


def yes_or_no(value: Any, name: str) -> bool:
    """True or False, also as 1 or 0. Raises UsageError for anything else."""
    if not isinstance(value, (bool, np.bool_, Integral)) or value not in (0, 1):
        raise UsageError(f"{name} is {value!r}; True or False is expected")
    return bool(value)


def strange(frame: pd.DataFrame, name: str, at: int, rule: str, remedy: str) -> UsageError:
    """What to say of the value in place ``at`` of a column."""
    value = frame[name].iloc[at]
    shown = str(value) if isinstance(value, Real) else repr(value)
    return UsageError(f"row {frame.index[at]!r}, column {name}: {shown[:60]} {rule}.", remedy)


def _has_hash(value: Any) -> bool:
    try:
        hash(value)
    except TypeError:
        return False
    return True
