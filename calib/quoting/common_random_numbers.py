"""Everything that chance decides, drawn once: the same seed gives the same random numbers to every option, quantity and what-if.

Each stage's own range is the calibrator's to the last digit; how stages and builds move together is measured on the
calibrator's own joint draws of two builds, and continued to any number of builds. The noise behind a stage of a build
is keyed by process, build number and stage alone, so that all plans are compared on equal terms.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Hashable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from calib.calibration.normal_plus_t import normal_cdf
from calib.quoting.learned import Learned, Predictor
from calib.records import hands_of

STEP = 1.2815515655446004 / 4  # of the scores below; p10, p50 and p90 are among them
SCORES = STEP * np.arange(-11, 12)
LEVELS = np.where(
    np.isclose(np.abs(SCORES), 4 * STEP), np.where(SCORES < 0, 0.1, 0.9), np.where(SCORES == 0, 0.5, normal_cdf(SCORES))
)
SAMPLE = 2000  # joint draws from which dependence is measured
UNLEARNED_SHARED = 0.8  # assumption: so much of a baseline's error before any log is the same in every build of a part
MOST_ATTEMPTS = 3


def predict_marginals(calibrator: Predictor, rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Log minutes of each row at LEVELS, shape (rows, levels), and the runs behind each row, shape (rows,)."""
    predicted = calibrator.predict(rows, quantiles=tuple(LEVELS.tolist()))
    quantiles = predicted[LEVELS.tolist()].to_numpy(float)
    return np.log(np.maximum.accumulate(quantiles, axis=1)), predicted["runs_behind"].to_numpy(int)


class ScoreIndex:
    """Where normal scores lie between the SCORES of a table of quantiles; scores : shape (draws,).

    >>> place, out = ScoreIndex(np.array([0.0, 1.2815515655446004])), np.empty(2)
    >>> place.minutes(SCORES, np.diff(SCORES), out)
    >>> out.round(3).tolist()
    [1.0, 3.602]
    """

    def __init__(self, scores: np.ndarray) -> None:
        position = np.clip((scores - SCORES[0]) / STEP, 0.0, len(SCORES) + 1.0)
        self.step = np.minimum(position.astype(np.intp), len(SCORES) - 2)
        self.share = position - self.step

    def minutes(self, log_quantiles: np.ndarray, slopes: np.ndarray, out: np.ndarray) -> None:
        """Minutes of a row whose log minutes at SCORES are given; beyond the ends the tails go on as a log-normal's.

        slopes : their differences; out : shape (draws,), is filled
        """
        np.multiply(self.share, slopes[self.step], out=out)
        np.exp(np.add(out, log_quantiles[self.step], out=out), out=out)


class CommonRandomNumbers:
    """Scores, waits and failures of a seed, each drawn when first asked for."""

    def __init__(self, learned: Learned, draws: int, seed: int) -> None:
        self.learned, self.draws, self.seed = learned, draws, seed
        self._mix: dict[str, tuple[dict[str, int], np.ndarray, np.ndarray]] = {}
        self._kept: dict[Hashable, Any] = {}

    def fewer(self, draws: int) -> CommonRandomNumbers:
        """The same with fewer draws."""
        other = CommonRandomNumbers(self.learned, draws, self.seed)
        other._mix = self._mix
        return other

    def _once(self, key: Hashable, make: Callable[[], Any]) -> Any:
        if key not in self._kept:
            self._kept[key] = make()
        return self._kept[key]

    # -- minutes -----------------------------------------------------------------------------------------------------

    def measure(self, process: str, rows: pd.DataFrame, runs_behind: np.ndarray) -> None:
        """Dependence within a build and between two of a process; rows: one of each stage, in order.

        runs_behind : shape (stages,)
        """
        stages = rows["stage"].tolist()
        if process in self._mix and set(stages) <= set(self._mix[process][0]):
            return
        two = pd.concat([rows.assign(build_id="one"), rows.assign(build_id="two")], ignore_index=True)
        logs = np.log(self.learned.calibrator.draws(two, SAMPLE, self.seed))
        count = len(stages)
        moving = logs.std(axis=0) > 1e-9
        together = np.eye(2 * count)
        if moving.any():
            together[np.ix_(moving, moving)] = np.corrcoef(logs[:, moving], rowvar=False).reshape(moving.sum(), -1)
        within = (together[:count, :count] + together[count:, count:]) / 2
        across = (together[:count, count:] + together[count:, :count]) / 2
        shared = _sure_of(across)
        diagonal = np.arange(count)
        shared[diagonal, diagonal] = np.maximum(shared[diagonal, diagonal], UNLEARNED_SHARED / (1 + runs_behind))
        own = _sure_of(within) - shared
        np.fill_diagonal(own, 1 - shared[diagonal, diagonal])
        self._mix[process] = ({stage: i for i, stage in enumerate(stages)}, _root(shared), _root(own))
        self._kept.clear()

    def score_index(self, process: str, build: str, stage: str) -> ScoreIndex:
        """Scores of a stage of one build."""
        index, shared, own = self._mix[process]

        def make() -> list[ScoreIndex]:
            names = list(index)
            common = self._once((process, "common"), lambda: shared @ self._fresh(process, "every build", names))
            return [ScoreIndex(scores) for scores in common + own @ self._fresh(process, build, names)]

        return self._once((process, build), make)[index[stage]]  # type: ignore[no-any-return]

    def _fresh(self, process: str, build: str, stages: Sequence[str]) -> np.ndarray:
        drawn = [keyed(self.seed, f"{process}/{build}/{stage}") for stage in stages]
        return np.array([generator.standard_normal(self.draws, dtype=np.float32) for generator in drawn])

    # -- waits -------------------------------------------------------------------------------------------------------

    def waits_before(self, process: str, stages: Sequence[str], number: int, last: str = "") -> dict[str, np.ndarray]:
        """Waits before stages that begin with a person; machines that run on wait only where logs showed it.

        last : the stage before the first of them, where it is known
        Each of shape (draws,) [min].
        """
        waits = {}
        for stage in stages:
            if self._is_waited_for(process, stage):
                waits[stage] = self.wait(process, stage, number, last)
            if (process, stage) not in self.learned.silent:
                last = stage
        return waits

    def _is_waited_for(self, process: str, stage: str) -> bool:
        if (
            self.learned.waits is None or (process, stage) in self.learned.silent
        ):  # its gap holds one wait, the next stage's
            return False
        by_hand = hands_of(stage) != "none"
        return by_hand or self.learned.waits.parameters(process, stage)[3] > 0

    def wait(self, process: str, stage: str, number: int, before: str = "") -> np.ndarray:
        """Open-hours waits before a stage of build ``number``, after another where it is known, shape (draws,) [min]."""
        waits, seed = self.learned.waits, self.seed + 7919 * number
        assert waits is not None
        made = self._once(
            ("wait", process, stage, number, before), lambda: waits.draws(process, stage, self.draws, seed, before)
        )
        common = self._once("waits", lambda: self.learned.wait_times * self._lab_waits(waits.lab_spread))
        return np.asarray(made * common)

    def _lab_waits(self, spread: float) -> np.ndarray:
        """A factor of all waits of the lab, the same in every stage of every build, shape (draws,)."""
        lots = keyed(self.seed, "waits of the lab").standard_normal(self.draws)
        return np.exp(spread * np.clip(lots, -3.0, 3.0))

    # -- failures ----------------------------------------------------------------------------------------------------

    def failure_chance(self, process: str, machine: str, material: str, height_mm: float) -> float:
        """Chance that a build fails [0..1]."""
        if self.learned.failures is None:
            return 0.0
        return self.learned.failures.chance_of(
            {"process": process, "machine": machine, "material": material, "height_mm": height_mm}
        )

    def failed_attempts(self, chance: float, number: int) -> np.ndarray | None:
        """Share of the printing at which each attempt failed, 0 where it did not, shape (attempts, draws).

        Attempts fail independently: their number is geometric, cut after MOST_ATTEMPTS. A failure comes at any time
        alike.
        """
        if chance <= 0:
            return None
        fails, when = self._once(("failure", number), lambda: self._attempts(number))
        return np.where(np.logical_and.accumulate(fails < chance, axis=0), when, np.float32(0.0))

    def again(self, process: str, build: str, stage: str, out: np.ndarray) -> None:
        """Do a stage of a build again where it must be: minutes of some draws, shape (draws,), are multiplied.

        How often is geometric, cut after MOST_ATTEMPTS further times.
        """
        chance = self.learned.failures.redo(process, stage) if self.learned.failures and stage != "printing" else 0.0
        if chance > 0:
            redone, times = self._once(
                ("again", process, build, stage), lambda: self._redone(process, build, stage, chance)
            )
            out[redone] *= times

    def _redone(self, process: str, build: str, stage: str, chance: float) -> tuple[np.ndarray, np.ndarray]:
        """The draws in which a stage is done again, and how often it is done then."""
        lot = keyed(self.seed, f"again {process}/{build}/{stage}").random(self.draws, dtype=np.float32)
        redone = np.flatnonzero(lot < chance)
        further = [lot[redone] < chance**times for times in range(1, MOST_ATTEMPTS + 1)]
        return redone, 1.0 + np.sum(further, axis=0)

    def _attempts(self, number: int) -> tuple[np.ndarray, np.ndarray]:
        rng, shape = keyed(self.seed, f"failure {number}"), (MOST_ATTEMPTS, self.draws)
        return rng.random(shape, dtype=np.float32), 0.02 + 0.98 * rng.random(shape, dtype=np.float32)


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
    return np.asarray(root * scale[:, None], np.float32)
