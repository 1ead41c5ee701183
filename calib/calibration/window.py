"""The rows of recent weeks, side by side: what one sweep of reweighting works on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.calibration.design import Coded, Entries
from calib.calibration.rows import Rows
from calib.calibration.state import Predictive, first_parts, row_load, share_offset

ARRAYS = ("y", "build", "censored", "width", "cell", "attended", "offset", "unit_load", "fit", "residual", "spread2")


@dataclass(eq=False)
class Week:
    """Rows of one week.

    location, scale : their entries in the two designs
    y, build, censored, width : as in Rows; cell, attended : of the first part
    offset : log of what shares do to the noise; unit_load : shape (rows, 2), share of machine's and of person's parts
    fit, residual, spread2 : shape (rows,), what the effects say, what is left of y beyond fit and build effect, and
        the variance of what is left that comes from not knowing the effects
    """

    number: int
    location: Entries
    scale: Entries
    y: np.ndarray
    build: np.ndarray
    censored: np.ndarray
    width: np.ndarray
    cell: np.ndarray
    attended: np.ndarray
    offset: np.ndarray
    unit_load: np.ndarray
    fit: np.ndarray
    residual: np.ndarray
    spread2: np.ndarray

    @property
    def count(self) -> int:
        return len(self.y)


def week_of(number: int, rows: Rows, coded: Coded, location: Entries, scale: Entries, before: Predictive) -> Week:
    """A week's rows as they enter the window, expected as ``before`` says."""
    n = rows.count
    first = first_parts(coded.part_row, n)
    unattended = row_load(coded, n, 1.0) - row_load(coded, n, 0.0)
    return Week(
        number, location, scale, rows.y, rows.build, rows.censored, rows.width,
        coded.codes["cell"][first], coded.attended[first], share_offset(coded, n),
        np.column_stack([unattended, row_load(coded, n, 0.0)]),
        before.location, rows.y - before.location, before.tau2,
    )  # fmt: skip


@dataclass(eq=False)
class Window:
    """Weeks joined; ``week`` says which of them a row is of, ``build`` is renumbered from 0."""

    weeks: list[Week]
    week: np.ndarray
    y: np.ndarray
    build: np.ndarray
    censored: np.ndarray
    width: np.ndarray
    cell: np.ndarray
    attended: np.ndarray
    offset: np.ndarray
    unit_load: np.ndarray
    fit: np.ndarray
    residual: np.ndarray
    spread2: np.ndarray

    @property
    def count(self) -> int:
        return len(self.y)

    @cached_property
    def location(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Rows, columns, values and the week of each entry in the design of the locations; not to be changed in place.

        Each of shape (entries,); places [-], values [-].
        """
        return self._entries("location")

    @cached_property
    def scale(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """The same in the design of the scales: each of shape (entries,); places [-], values [-]."""
        return self._entries("scale")

    def _entries(self, part: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        start = np.concatenate([[0], np.cumsum([week.count for week in self.weeks])])
        found = [getattr(week, part) for week in self.weeks]
        row = np.concatenate([e.row + s for e, s in zip(found, start[:-1], strict=True)])
        week = np.repeat(np.arange(len(found)), [len(e.row) for e in found])
        return row, np.concatenate([e.column for e in found]), np.concatenate([e.value for e in found]), week

    def hand_back(self) -> None:
        """Give the weeks their fits back."""
        start = 0
        for week in self.weeks:
            here = slice(start, start + week.count)
            week.fit, week.residual, week.spread2 = self.fit[here], self.residual[here], self.spread2[here]
            start += week.count


def join(weeks: list[Week]) -> Window:
    """Weeks side by side."""
    arrays = {name: np.concatenate([getattr(week, name) for week in weeks]) for name in ARRAYS}
    has = arrays["build"] >= 0
    arrays["build"] = np.where(has, np.unique(arrays["build"] * has, return_inverse=True)[1], -1)
    return Window(weeks, np.repeat(np.arange(len(weeks)), [week.count for week in weeks]), **arrays)
