"""The model alone, on frames, with no database: usable on any trade's planned against actual durations."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from calib.calibration.columns import MOST_SD, whole_number
from calib.calibration.design import Coded, Design, location_blocks, scale_blocks
from calib.calibration.encoder import SEPARATOR, Encoder
from calib.calibration.explain import narrowing, split_correction
from calib.calibration.normal_plus_t import normal_cdf
from calib.calibration.options import FACTORS, Options
from calib.calibration.predict import draw_minutes, row_quantiles, runs_behind, spread_of_location
from calib.calibration.recalibrate import Recalibration
from calib.calibration.rows import Rows, read_plans, read_runs
from calib.calibration.state import BUILD_START, LOAD_START, Posterior, Predictive, State, covariate_effect, predictive
from calib.calibration.tables import state_from_tables, state_tables
from calib.calibration.usage import Usage
from calib.errors import OutsideModelError, UsageError

if TYPE_CHECKING:
    from calib.calibration.checkpoints import Checkpoints

Progress = Callable[[int, int], None]
ERROR_LABELS = ("run_key", *FACTORS, "basis", "build_id", "ended_at", "baseline_min", "actual_min")
MOST_DRAWS, LARGEST_SEED, MOST_RUNS = 10**9, 2**63 - 1, 10**9
CELL_SAMPLE = 40  # last runs of a cell that its figures are for


class Calibrator:
    """Learns log(actual / baseline) of runs and predicts ranges; see ``Options`` for what can be set.

    >>> import pandas as pd
    >>> runs = pd.DataFrame({"process": "MEX", "stage": "printing", "baseline_min": [60.0, 90.0, 30.0],
    ...                      "actual_min": [66.0, 99.0, 33.0], "ended_at": pd.date_range("2026-01-05", periods=3)})
    >>> made = Calibrator().fit(runs)
    >>> bool(60 < made.predict(runs, quantiles=(0.5,))[0.5].iloc[0] < 72)
    True
    """

    def __init__(self, **options: Any) -> None:
        try:
            self.options = Options(**options)
        except TypeError:
            known = [field.name for field in fields(Options)]
            strange = ", ".join(name for name in options if name not in known)
            raise UsageError(f"unknown option of Calibrator: {strange}", f"There are {', '.join(known)}.") from None
        self._state = _empty_state(self.options)
        self.errors = _no_errors(self.options)
        self.cells = pd.DataFrame(columns=[*self.options.group, "runs", "ratio_p50", "spread"])
        self.summary: dict[str, Any] = {
            "runs_used": 0, "runs_left_out": {}, "iterations": 0, "converged": "nothing learned yet: priors only",
            "seconds": 0.0, "as_of": None,
        }  # fmt: skip

    def fit(
        self, runs: pd.DataFrame, checkpoints: Checkpoints | None = None, progress: Progress = lambda done, total: None
    ) -> Calibrator:
        """Learn from runs.

        runs : columns of the group, baseline_min and actual_min [min, > 0], ended_at (time stamps); and any of
            machine, station, operator, material, build_id, attended (a person works throughout), censored (at least
            this long), low_min (the end lies between low_min and actual_min), basis, run_key, shares (for a stage
            'a+b': its baselines by stage). Missing values are allowed; rows that cannot be used are counted.
        checkpoints : of earlier fits: weeks that they know and that are unchanged are not learned again, and the
            result is the same to the last bit; new ones are added to it
        progress : called with the number of runs gone through and of all, week by week
        Where the full model cannot be had (no solution, not enough memory), ``calibration.closed_form`` stands in, and
        the summary says so. Raises UsageError for a missing column.
        """
        from calib.calibration.closed_form import ClosedForm  # these need scipy, which predicting does not
        from calib.calibration.forward_pass import begin, joined
        from calib.calibration.learn_second_law import learn_second_law, past_of

        start = time.perf_counter()
        rows = read_runs(runs, self.options)
        passing = begin(rows, self.options, checkpoints)
        why_not = ""
        try:
            passing.run(progress)
        except (OutsideModelError, np.linalg.LinAlgError, MemoryError) as error:
            why_not = str(error) or type(error).__name__
            passing = begin(rows, self.options, model=ClosedForm)
            passing.run(progress)
        learner = passing.learner
        self._state = learner.state()
        if rows.count:
            before = joined(passing.remembered)
            self.errors = _errors(runs, rows, self.options, before).assign(
                covariate_effect=_covariate_effect(self._state, rows, passing.coded)
            )
            if self.options.trees:
                self._state.second_law = learn_second_law(past_of(passing, rows.count))
        self.cells = _cells(self._state, rows, passing.coded)
        self.summary = {
            "runs_used": rows.count,
            "runs_left_out": rows.left_out,
            "iterations": learner.sweeps_done,
            "converged": _how_it_ended(learner.change, rows.count, why_not),
            "seconds": round(time.perf_counter() - start, 3),
            "as_of": pd.Timestamp(self._state.ended, tz="UTC").isoformat() if rows.count else None,
        }
        return self

    def predict(self, rows: pd.DataFrame, quantiles: tuple[float, ...] = (0.1, 0.5, 0.9)) -> pd.DataFrame:
        """Quantiles of the minutes of rows that come just after the last run learned.

        rows : columns of the group, baseline_min, and any of the factors, build_id, basis, prior_sd, floor_min
        Returns a frame with the index of ``rows``, a column for each quantile [min], and runs_behind.
        Raises UsageError for a missing column, a baseline not above 0, a prior_sd or floor_min that is none, or a
        quantile outside (0, 1).
        """
        levels = _levels(quantiles)
        plans, expected = self._expected(rows)
        minutes = row_quantiles(self._state, plans, expected, levels)
        table = pd.DataFrame(minutes, index=rows.index, columns=levels.tolist())
        table["runs_behind"] = runs_behind(self._state, expected).astype(int)
        return table

    def draws(self, rows: pd.DataFrame, n: int, seed: int, sd: Any = None) -> np.ndarray:
        """``n`` joint draws, shape (n, len(rows)) [min].

        Rows of one build_id share the build's effect; all rows share what is not known of a level, a machine, a
        person or a material. sd : shape (len(rows),) or a number, more uncertainty of the log baseline, shared
        within a build.
        """
        n, seed = whole_number(n, "n", 0, MOST_DRAWS), whole_number(seed, "seed", 0, LARGEST_SEED)
        plans, expected = self._expected(rows)
        return draw_minutes(self._state, plans, expected, n, seed, None if sd is None else _sds(sd, plans.count))

    def effects(self, runs: pd.DataFrame) -> pd.DataFrame:
        """The correction of a cell split into effects, from its runs in order; see ``calibration.effects``."""
        return split_correction(self._state, lambda rows: self._expected(rows)[1], _some(runs))

    def narrowing(self, rows: pd.DataFrame, more: int = 5) -> pd.DataFrame:
        """What ``more`` runs would do to the range of typical rows of one cell; see ``calibration.narrowing``."""
        more = whole_number(more, "more", 1, MOST_RUNS)
        return narrowing(self._state, *self._expected(_some(rows)), more)

    @property
    def second_law(self) -> dict[str, Any]:
        """Share of the trees in the quantiles (0: the model alone), what they won out of time [-], and what they go by most."""
        law = self._state.second_law
        return {"weight": law.weight, "gain": law.gain, "rows": law.rows, "leading": law.leading}

    def to_tables(self) -> dict[str, pd.DataFrame]:
        """Everything needed to predict, as tables of numbers; ``errors`` is not among them."""
        return state_tables(self._state)

    @classmethod
    def from_tables(cls, tables: dict[str, pd.DataFrame]) -> Calibrator:
        """What ``to_tables`` wrote: predictions are the same to the last bit."""
        state = state_from_tables(tables)
        made = cls()
        made.options, made._state = state.options, state
        made.summary |= {"runs_used": int(state.facts.get("rows", 0))}
        return made

    def _expected(self, frame: pd.DataFrame) -> tuple[Rows, Predictive]:
        plans = read_plans(frame, self.options)
        coded = self._state.encoder.transform(plans)
        self._state.encoder.measure(coded, plans.log_baseline, learn=False)
        return plans, predictive(self._state, coded, plans)


def _levels(quantiles: Any) -> np.ndarray:
    """Quantiles asked for, one or several, as numbers."""
    asked = list(quantiles) if isinstance(quantiles, Iterable) else [quantiles]
    if not all(isinstance(level, (float, np.floating)) and 0 < level < 1 for level in asked):
        raise UsageError(f"quantiles {quantiles}: each must lie between 0 and 1")
    return np.array(asked, float)


def _sds(sd: Any, count: int) -> np.ndarray:
    """More sd of log baselines, one for each row."""
    try:
        extra = np.broadcast_to(np.asarray(sd, float), (count,))
    except (TypeError, ValueError):
        raise UsageError(f"sd {sd!r}: a number is expected, or one for each of {count} rows") from None
    if not ((extra >= 0) & (extra <= MOST_SD)).all():
        raise UsageError(f"sd {sd!r}: an sd of log minutes lies between 0 and {MOST_SD:g}")
    return extra


def _some(rows: pd.DataFrame) -> pd.DataFrame:
    if isinstance(rows, pd.DataFrame) and rows.empty:
        raise UsageError("there are no rows to look at", "Give at least one run of the cell.")
    return rows


def _empty_state(options: Options) -> State:
    design, scale = Design(location_blocks(options), options.most_effects), Design(scale_blocks(options), 1)
    return State(
        options, Encoder(options.group), design, scale, _nothing(design), _nothing(scale), np.zeros(0), np.zeros(2),
        np.zeros(0), BUILD_START, LOAD_START, Recalibration(), 0, Usage(),
    )  # fmt: skip


def _nothing(design: Design) -> Posterior:
    """What is known of effects before any run: how far they usually differ."""
    return Posterior(np.zeros(0), np.zeros((0, 0)), {block.name: block.start_sd**2 for block in design.blocks})


def _no_errors(options: Options) -> pd.DataFrame:
    return pd.DataFrame(
        columns=[
            *options.group,
            *ERROR_LABELS,
            "expected_min",
            "scale",
            "z",
            "pit",
            "runs_behind",
            "covariate_effect",
            "censored",
            "found",
        ]
    )


def _errors(runs: pd.DataFrame, rows: Rows, options: Options, before: dict[str, np.ndarray]) -> pd.DataFrame:
    """One row for each run learned, as it was expected at the time, in order of ends.

    covariate_effect : what the model, as it is at the end, puts down to who, where, what of and how large, of log(actual / baseline)
    censored, found : it lasted at least so long; its end was seen later, so the minutes are a guess
    """
    kept = runs.iloc[rows.source].reset_index(drop=True)
    table = pd.DataFrame({name: kept.get(name) for name in (*options.group, *ERROR_LABELS)}, index=kept.index)
    nu = options.nu
    table["expected_min"] = rows.baseline_min * np.exp(before["location"])
    table["scale"] = np.sqrt(before["tau2"] + before["sigma"] ** 2 * nu / (nu - 2))
    table["z"] = before["score"]
    table["pit"] = normal_cdf(before["score"])
    table["runs_behind"] = before["behind"].astype(int)
    table["censored"] = rows.censored
    table["found"] = rows.width > 0
    return table


def _covariate_effect(state: State, rows: Rows, coded: Coded) -> np.ndarray:
    parts = coded.take(np.arange(len(coded.part_row)), coded.part_row)
    state.encoder.measure(parts, rows.log_baseline, learn=False)
    return covariate_effect(state, parts, rows.count)


def _cells(state: State, rows: Rows, coded: Coded) -> pd.DataFrame:
    """Each cell as it is now: runs, median ratio and spread over its last runs' machines, people and sizes."""
    cell = coded.codes["cell"]
    place = pd.Series(cell[::-1]).groupby(cell[::-1]).cumcount().to_numpy()[::-1]
    parts = np.flatnonzero(place < CELL_SAMPLE)
    n = len(parts)
    some = coded.take(parts, np.arange(n))
    some.share = np.ones(n)
    state.encoder.measure(some, rows.log_baseline[parts], learn=False)
    sums = {"log_baseline": rows.log_baseline[parts], "attended": rows.attended[parts], "terms": rows.terms[parts]}
    alone = Rows.unknown(n, build=np.zeros(n, int), **sums)
    expected = predictive(state, some, alone)
    nu = state.options.nu
    own = spread_of_location(state, alone, expected) ** 2 + expected.sigma**2 * nu / (nu - 2)
    frame = pd.DataFrame({"cell": expected.cell, "location": expected.location, "own": own}).groupby("cell")
    spread = np.sqrt(frame["own"].mean() + frame["location"].var(ddof=0))
    ratio = np.exp(frame["location"].mean())  # the median ratio where locations differ evenly to both sides
    names = np.array(state.encoder.labels("cell"), dtype=object)[ratio.index.to_numpy(int)] if n else []
    table = pd.DataFrame([str(name).split(SEPARATOR) for name in names], columns=list(state.options.group))
    table["runs"] = state.runs[ratio.index.to_numpy(int)].astype(int) if n else []
    table["ratio_p50"], table["spread"] = ratio.to_numpy(), spread.to_numpy()
    return table.sort_values(list(state.options.group), ignore_index=True)


def _how_it_ended(change: float, runs: int, why_not: str) -> str:
    if not runs:
        return "nothing to learn from: priors only"
    if why_not:
        return (
            f"closed form: each cell's mean shrunk to its process's, nothing else, for the full model failed: {why_not}"
        )
    if change < 0.02:
        return f"settled: 99 of 100 medians of the last weeks moved by {100 * change:.2g} % at most in the last sweep"
    return f"still moving: one in 100 medians of the last weeks moved by {100 * change:.2g} % or more in the last sweep"
