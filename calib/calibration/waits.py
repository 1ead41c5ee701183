"""Waits before a stage, in open hours: a chance of none, and a log-normal of the rest, pooled."""

from __future__ import annotations

import zlib

import numpy as np
import pandas as pd

# Assumptions before any log, common practice, no source: people are near and come by between other work.
PRIOR_NONE = 0.3  # three in ten go on at once,
PRIOR_MEDIAN_MIN = 20.0  # the others wait twenty minutes of opening hours,
PRIOR_SPREAD = 1.2  # one in ten of them more than an hour and a half (sd of the log),
PRIOR_LAB_SPREAD = (
    1.0  # in one lab in ten all waits are 3.6 times as long as in the middle one, or more (sd of the log),
)
PRIOR_RUNS = 8.0  # and all that is worth eight waits
AT_ONCE_MIN = 1.0  # a shorter wait is none


Parameters = tuple[float, float, float, float]
PRIOR: Parameters = (PRIOR_NONE, float(np.log(PRIOR_MEDIAN_MIN)), PRIOR_SPREAD, 0.0)
KEYS = ("process", "stage", "before")


class Waits:
    """Open-hours waits between two stages of a process. Each pair shrinks to its later stage, that to its process, that to
    the lab, and the lab to the prior; what was never seen uses the next of them."""

    def __init__(self) -> None:
        self._learned: dict[tuple[str, ...], Parameters] = {}  # by KEYS; '' stands for all

    def fit(self, frame: pd.DataFrame) -> Waits:
        """Learn from columns process, stage, wait_min, and before (the stage before it, '' where not known, or no such
        column); waits below zero or not known are left out."""
        self.__init__()  # type: ignore[misc]
        wait = frame["wait_min"].to_numpy(float)
        good = frame[np.isfinite(wait) & (wait >= 0)].assign(**{} if "before" in frame else {"before": ""})
        self._learned["", "", ""] = _pooled(good["wait_min"].to_numpy(float), PRIOR)
        for depth in (1, 2, 3):
            for key, group in good.groupby(list(KEYS[:depth])):
                full, parent = (tuple(map(str, key[:count])) + ("",) * (3 - count) for count in (depth, depth - 1))
                if key[-1]:
                    self._learned[full] = _pooled(group["wait_min"].to_numpy(float), self._learned[parent])
        return self

    def parameters(self, process: str, stage: str, before: str = "") -> Parameters:
        """Chance of no wait, mean and sd of the log of the others [log min], waits behind them."""
        for key in ((process, stage, before), (process, stage, ""), (process, "", ""), ("", "", "")):
            if key in self._learned:
                found = self._learned[key]
                return found if key[1] == stage else (*found[:3], 0.0)
        return PRIOR

    @property
    def lab_spread(self) -> float:
        """What is not known yet of a factor common to all waits of the lab, sd of the log: the prior's, less with every wait."""
        _, _, spread, runs = self.parameters("", "")
        return float((PRIOR_LAB_SPREAD**-2 + runs / spread**2) ** -0.5)

    def draws(self, process: str, stage: str, n: int, seed: int, before: str = "") -> np.ndarray:
        """``n`` waits [open min]; the same seed gives the same luck to a stage, another to another.

        before : the stage before it, where it is known
        Returns shape (n,).
        """
        none, middle, spread, _ = self.parameters(process, stage, before)
        rng = np.random.default_rng([seed, zlib.crc32(f"{process}/{stage}".encode())])
        waits = np.exp(middle + spread * np.clip(rng.standard_normal(n), -3.0, 3.0))
        return np.where(rng.random(n) < none, 0.0, waits)

    def to_table(self) -> pd.DataFrame:
        """Everything learned, as numbers."""
        rows = [(*key, *value) for key, value in self._learned.items()]
        return pd.DataFrame(rows, columns=[*KEYS, "none", "log_mean", "log_sd", "runs"])

    @classmethod
    def from_table(cls, table: pd.DataFrame) -> Waits:
        """What ``to_table`` wrote; an older version's knew no pairs of stages."""
        made, known = cls(), table if "before" in table else table.assign(before="")
        for process, stage, before, *numbers in known[[*KEYS, "none", "log_mean", "log_sd", "runs"]].itertuples(
            index=False
        ):
            made._learned[process, stage, before] = tuple(numbers)
        return made


def _pooled(wait: np.ndarray, prior: Parameters) -> Parameters:
    """Chance of none, mean and sd of the log, each with PRIOR_RUNS of the prior mixed in."""
    none = (np.sum(wait < AT_ONCE_MIN) + PRIOR_RUNS * prior[0]) / (len(wait) + PRIOR_RUNS)
    log = np.log(wait[wait >= AT_ONCE_MIN])
    weight = len(log) + PRIOR_RUNS
    mean = (log.sum() + PRIOR_RUNS * prior[1]) / weight
    spread = np.sqrt((np.sum((log - mean) ** 2) + PRIOR_RUNS * (prior[2] ** 2 + (prior[1] - mean) ** 2)) / weight)
    return float(none), float(mean), float(spread), float(len(wait))
