"""Rows week by week."""

from __future__ import annotations

import numpy as np

from calib.calibration.design import Coded
from calib.calibration.rows import Rows


def weeks_of(rows: Rows) -> list[tuple[int, np.ndarray]]:
    """Week numbers and the rows of each, in order."""
    numbers, start = np.unique(rows.week, return_index=True)
    bounds = [*start.tolist(), rows.count]
    return [(int(week), np.arange(bounds[i], bounds[i + 1])) for i, week in enumerate(numbers)]


def rows_at(rows: Rows, coded: Coded, at: np.ndarray) -> tuple[Rows, Coded]:
    """The rows ``at`` (consecutive) by themselves."""
    first, last = np.searchsorted(rows.part_row, [at[0], at[-1] + 1])
    parts = slice(first, last)
    here = slice(at[0], at[-1] + 1)
    part_row = rows.part_row[parts] - at[0]
    some = Rows(
        {name: values[parts] for name, values in rows.labels.items()}, part_row, rows.share[parts],
        rows.log_baseline[parts], rows.attended[parts], rows.y[here], rows.ended[here], rows.build[here],
        rows.censored[here], rows.width[here], rows.baseline_min[here], rows.prior_sd[here], rows.floor_min[here],
        terms=rows.terms[parts],
    )  # fmt: skip
    return some, coded.take(np.arange(first, last), part_row)
