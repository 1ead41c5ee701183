"""Chance that a build fails, pooled: process, machine, material, and by height; chance that a stage is done again."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

PRIOR_CHANCE = 0.05  # an assumption: one build in twenty, before any log
PRIOR_BUILDS = 20.0  # builds that the assumption is worth
PARENT_BUILDS = 12.0  # builds that a parent is worth to its child
PRIOR_REDO = 0.02  # an assumption: one run of a stage in fifty is done again, before any log


class Failures:
    """Beta-binomial chances, each level shrunk towards its parent.

    process -> process and machine, process and material -> both together as a product of odds; height as a slope
    on the log odds within the process, itself shrunk to zero.
    """

    def __init__(self) -> None:
        self._odds: dict[tuple[str, str, str], float] = {}
        self._builds: dict[tuple[str, str, str], float] = {}
        self._height: dict[str, tuple[float, float]] = {}

    def fit(self, frame: pd.DataFrame, stages: pd.DataFrame | None = None) -> Failures:
        """Learn from builds: columns process, failed, and any of machine, material, height_mm.

        stages : one row for each stage of each build: process, stage, redone (a further attempt was needed)
        """
        self.__init__()  # type: ignore[misc]
        failed = frame["failed"].astype(bool).to_numpy()
        process = frame["process"].astype(str).to_numpy()
        self._learn("", "", np.full(len(frame), ""), failed, {"": PRIOR_CHANCE}, PRIOR_BUILDS)
        whole = self._chance_at("", "", "")
        self._learn("process", "", process, failed, dict.fromkeys(set(process), whole), PRIOR_BUILDS)
        for factor in ("machine", "material"):
            if factor in frame:
                self._learn_factor(factor, process, frame[factor], failed)
        if "height_mm" in frame:
            self._learn_height(process, frame["height_mm"].to_numpy(float), failed)
        if stages is not None and len(stages):
            self._learn_redo(stages)
        return self

    def redo(self, process: str, stage: str) -> float:
        """Chance that a stage of a build has to be done again [0..1]; a stage never seen has its process's."""
        for key in (("redo", process, stage), ("redo", process, "")):
            if key in self._odds:
                return self._chance_at(*key)
        return PRIOR_REDO

    def _learn_redo(self, stages: pd.DataFrame) -> None:
        """Each process from the prior, each of its stages from the process."""
        for code, own in stages.groupby("process", sort=True):
            redone, names = own["redone"].to_numpy(bool), own["stage"].astype(str).to_numpy()
            self._learn("redo", str(code), np.full(len(own), ""), redone, {"": PRIOR_REDO}, PRIOR_BUILDS)
            parent = dict.fromkeys(sorted(set(names)), self._chance_at("redo", str(code), ""))
            self._learn("redo", str(code), names, redone, parent, PARENT_BUILDS)

    def chance(self, rows: pd.DataFrame) -> np.ndarray:
        """Chance of failure of each row, shape (n,) [0..1]; levels never seen fall back to their parents."""
        return np.array([self.chance_of(row) for row in rows.to_dict("records")])

    def chance_of(self, row: Mapping[Any, Any]) -> float:
        """As ``chance``, of one row."""
        process = str(row.get("process"))
        known = ("process", "", process) in self._odds
        base = self._odds.get(("process", "", process), self._odds.get(("", "", ""), _odds(PRIOR_CHANCE)))
        total = base
        for factor in ("machine", "material"):
            key = (factor, process, str(row.get(factor)))
            total += self._odds.get(key, base) - base if known else 0.0
        middle, slope = self._height.get(process, (0.0, 0.0))
        height = row.get("height_mm")
        if height is not None and np.isfinite(height):
            total += slope * float(np.clip(height - middle, -300.0, 300.0))
        return float(1 / (1 + np.exp(-total)))

    def _learn_factor(self, factor: str, process: np.ndarray, values: pd.Series, failed: np.ndarray) -> None:
        known = values.notna().to_numpy()
        for code in set(process[known]):
            here = known & (process == code)
            levels = values[here].astype(str).to_numpy()
            parent = dict.fromkeys(set(levels), self._chance_at("process", "", code))
            self._learn(factor, code, levels, failed[here], parent, PARENT_BUILDS)

    def _learn(
        self, factor: str, within: str, levels: np.ndarray, failed: np.ndarray, parent: dict[str, float], weight: float
    ) -> None:
        for level, prior in parent.items():
            here = levels == level
            chance = (failed[here].sum() + weight * prior) / (here.sum() + weight)
            self._odds[factor, within, level] = _odds(chance)
            self._builds[factor, within, level] = float(here.sum())

    def _learn_height(self, process: np.ndarray, height: np.ndarray, failed: np.ndarray) -> None:
        """One Newton step from zero, shrunk: information of the slope plus that of a prior of 1 per 100 mm."""
        for code in set(process):
            here = (process == code) & np.isfinite(height)
            if here.sum() < 2:
                continue
            middle = float(np.median(height[here]))
            off = np.clip(height[here] - middle, -300.0, 300.0)
            chance = self._chance_at("process", "", code)
            information = chance * (1 - chance) * float(off @ off) + 100.0**2
            self._height[code] = (middle, float(off @ (failed[here] - chance)) / information)

    def _chance_at(self, factor: str, within: str, level: str) -> float:
        return 1 / (1 + float(np.exp(-self._odds[factor, within, level])))

    def to_table(self) -> pd.DataFrame:
        """Everything learned, as numbers."""
        odds = [(*key, value, self._builds[key]) for key, value in self._odds.items()]
        slopes = [("height", code, "", slope, middle) for code, (middle, slope) in self._height.items()]
        return pd.DataFrame(odds + slopes, columns=["factor", "within", "level", "log_odds", "builds"])

    @classmethod
    def from_table(cls, table: pd.DataFrame) -> Failures:
        """What ``to_table`` wrote."""
        made = cls()
        for factor, within, level, value, builds in table.itertuples(index=False):
            if factor == "height":
                made._height[within] = (builds, value)
            else:
                made._odds[factor, within, level] = value
                made._builds[factor, within, level] = builds
        return made


def _odds(chance: float) -> float:
    return float(np.log(chance / (1 - chance)))
