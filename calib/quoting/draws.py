"""Joint draws of the minutes of many builds of one part.

Each stage's own range is the calibrator's to the last digit; how stages and builds move together is measured on the
calibrator's own joint draws of two builds, and continued to any number of builds. The noise behind a stage of a build
is keyed by process, build number and stage alone: the same seed gives the same luck whatever the quantity and the
machine, so that options, quantities and what-ifs are compared on equal terms.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd

from calib.calibration.normal_plus_t import normal_score

TWO_SIDED = np.array([0.0005, 0.002, 0.005, 0.01, 0.025, 0.05, 0.1, 0.175, 0.25, 0.325, 0.4, 0.45])
LEVELS = np.concatenate([TWO_SIDED, [0.5], 1 - TWO_SIDED[::-1]])
SCORES = normal_score(LEVELS)
SAMPLE = 2000  # joint draws from which dependence is measured
UNLEARNED_SHARED = 0.8  # assumption: so much of a baseline's error before any log is the same in every build of a part


class Predictor(Protocol):
    """What of a calibrator is used here."""

    def predict(self, rows: pd.DataFrame, quantiles: tuple[float, ...] = ...) -> pd.DataFrame: ...

    def draws(self, rows: pd.DataFrame, n: int, seed: int) -> np.ndarray: ...


def predict_marginals(calibrator: Predictor, rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Log minutes of each row at LEVELS, shape (rows, levels), and the runs behind each row, shape (rows,)."""
    found = calibrator.predict(rows, quantiles=tuple(LEVELS.tolist()))
    quantiles = found[LEVELS.tolist()].to_numpy(float)
    return np.log(np.maximum.accumulate(quantiles, axis=1)), found["runs_behind"].to_numpy(int)


@dataclass(frozen=True, eq=False)
class Place:
    """Where normal scores lie between the SCORES of a table of quantiles, each shape (draws,).

    step : number of the SCORES below; share : of the way to the next, above 1 beyond the last
    """

    step: np.ndarray
    share: np.ndarray

    def minutes(self, log_quantiles: np.ndarray) -> np.ndarray:
        """Minutes of a row whose log minutes at SCORES are given; beyond the ends the tails go on as a log-normal's."""
        return np.exp(log_quantiles[self.step] + self.share * np.diff(log_quantiles)[self.step])


def place_of(scores: np.ndarray) -> Place:
    """
    >>> place = place_of(np.array([0.0, 1.2815515655446004]))
    >>> place.minutes(np.log(np.exp(SCORES))).round(3).tolist()
    [1.0, 3.602]
    """
    scores = np.clip(scores, SCORES[0], SCORES[-1] + 1.0)
    step = np.clip(np.searchsorted(SCORES, scores, side="right") - 1, 0, len(SCORES) - 2)
    return Place(step, (scores - SCORES[step]) / np.diff(SCORES)[step])


class Scores:
    """Normal scores of stages of builds, keyed by what they are for.

    shared, own : process -> matrices that mix independent scores of its stages into dependent ones, the part that is
        the same in all builds of an order and the part that is new in each
    """

    def __init__(self, draws: int, seed: int) -> None:
        self.draws, self.seed = draws, seed
        self._mix: dict[str, tuple[dict[str, int], np.ndarray, np.ndarray]] = {}
        self._common: dict[str, np.ndarray] = {}
        self._made: dict[tuple[str, str], list[Place]] = {}

    def learn(self, calibrator: Predictor, process: str, rows: pd.DataFrame, runs_behind: np.ndarray) -> None:
        """Measure dependence on two like builds of the process; rows: one of each stage."""
        stages = rows["stage"].tolist()
        two = pd.concat([rows.assign(build_id="one"), rows.assign(build_id="two")], ignore_index=True)
        logs = np.log(calibrator.draws(two, SAMPLE, self.seed))
        count = len(stages)
        moving = logs.std(axis=0) > 1e-9
        together = np.eye(2 * count)
        if moving.any():
            together[np.ix_(moving, moving)] = np.corrcoef(logs[:, moving], rowvar=False).reshape(moving.sum(), -1)
        within = (together[:count, :count] + together[count:, count:]) / 2
        across = (together[:count, count:] + together[count:, :count]) / 2
        shared = _sure_of(across)
        at = np.arange(count)
        shared[at, at] = np.maximum(shared[at, at], UNLEARNED_SHARED / (1 + runs_behind))
        own = _sure_of(within) - shared
        np.fill_diagonal(own, 1 - shared[at, at])
        self._mix[process] = ({stage: i for i, stage in enumerate(stages)}, _root(shared), _root(own))

    @property
    def known(self) -> set[str]:
        """Processes whose dependence has been measured."""
        return set(self._mix)

    def of(self, process: str, build: str, stages: Sequence[str]) -> list[Place]:
        """Scores of the stages of one build."""
        index, shared, own = self._mix[process]
        if process not in self._common:
            self._common[process] = shared @ self._fresh(process, "every build", list(index))
        if (process, build) not in self._made:
            fresh = own @ self._fresh(process, build, list(index))
            self._made[process, build] = [place_of(scores) for scores in self._common[process] + fresh]
        return [self._made[process, build][index[stage]] for stage in stages]

    def _fresh(self, process: str, build: str, stages: Sequence[str]) -> np.ndarray:
        return np.array(
            [keyed(self.seed, f"{process}/{build}/{stage}").standard_normal(self.draws) for stage in stages]
        )


def keyed(seed: int, key: str) -> np.random.Generator:
    """A stream of random numbers of its own for a key."""
    return np.random.Generator(np.random.PCG64([seed, zlib.crc32(key.encode())]))


def _sure_of(correlation: np.ndarray) -> np.ndarray:
    """Correlations that a sample of SAMPLE can tell from none, the others zero."""
    return np.where(np.abs(correlation) > 3 / np.sqrt(SAMPLE), correlation, 0.0)


def _root(covariance: np.ndarray) -> np.ndarray:
    """A symmetric square root, rows scaled so that the variances stay what they were."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    wanted, got = np.diag(covariance), np.einsum("ij,ij->i", root, root)
    scale = np.sqrt(np.divide(np.maximum(wanted, 0.0), got, out=np.zeros_like(wanted), where=got > 1e-15))
    return np.asarray(root * scale[:, None])
