"""The model alone, on frames, with no database: usable on any trade's planned against actual durations."""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable, Iterable, Sequence
from dataclasses import fields, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from calib.calibration.columns import MOST_SD, whole_number
from calib.calibration.design import Coded, Design, location_blocks, scale_blocks
from calib.calibration.encoder import SEPARATOR, Encoder
from calib.calibration.estimator import Estimator, with_minutes
from calib.calibration.explain import SAMPLE, narrowing, split_correction
from calib.calibration.normal_plus_t import normal_cdf
from calib.calibration.options import FACTORS, Options
from calib.calibration.own_effects import own_effects
from calib.calibration.predict import draw_minutes, row_quantiles, runs_behind, spread_of_location
from calib.calibration.priors import Priors
from calib.calibration.recalibrate import Recalibration
from calib.calibration.rows import Rows, read_plans, read_runs
from calib.calibration.scores import LEVELS, weighted_interval_score
from calib.calibration.state import BUILD_START, LOAD_START, Posterior, Predictive, State, covariate_effect, predictive
from calib.calibration.tables import state_from_tables, state_tables
from calib.calibration.usage import Usage
from calib.documents.model import SecondLawFacts
from calib.errors import OutsideModelError, UsageError
from calib.progress import Count, no_count
from calib.records import TERM_COLUMNS

if TYPE_CHECKING:
    from calib.calibration.checkpoints import Checkpoints

PRIORS: dict[str, Any] = {
    "runs_used": 0, "runs_left_out": {}, "iterations": 0, "converged": "nothing learned yet: priors only",
    "seconds": 0.0, "as_of": None,
}  # fmt: skip
# the terms too: without them a row of another size is one that never comes, and its range is too wide
ERROR_LABELS = ("run_key", *FACTORS, "basis", "build_id", "ended_at", "baseline_min", "actual_min", *TERM_COLUMNS)
SINGLE_RUN = ["p10_ratio", "p50_ratio", "p90_ratio"]
MOST_DRAWS, LARGEST_SEED, MOST_RUNS = 10**9, 2**63 - 1, 10**9


class Calibrator(Estimator):
    """Learns log(actual / baseline) of runs and predicts ranges; parameters are those of ``Options``, and prior_only.

    prior_only : what an unfitted one answers: True: the priors; False: NotFittedError; None: the priors, with a warning
    An estimator as scikit-learn has them, without loading it. Fitted: ``errors_`` (one row for each run learned, as it was
    expected at the time), ``cells_``, ``summary_``, ``n_features_in_``, ``feature_names_in_``.

    >>> import pandas as pd
    >>> runs = pd.DataFrame({"process": "MEX", "stage": "printing", "baseline_min": [60.0, 90.0, 30.0],
    ...                      "actual_min": [66.0, 99.0, 33.0], "ended_at": pd.date_range("2026-01-05", periods=3)})
    >>> made = Calibrator().fit(runs)
    >>> bool(60 < made.predict(runs)[0] < 72)
    True
    >>> made.predict_quantiles(runs, (0.1, 0.9)).columns.tolist()
    [0.1, 0.9, 'runs_behind']
    """

    def __init__(
        self,
        *,
        group: str | tuple[str, ...] = ("process", "stage"),
        nu: float = 5.0,
        step_nu: float = 2.0,
        window: int = 4,
        sweeps: int = 2,
        dynamic: bool = True,
        robust: bool = True,
        recalibrate: bool = True,
        trees: bool = True,
        most_effects: int = 1000,
        priors: Priors | None = None,
        prior_only: bool | None = None,
    ) -> None:
        self.group = group
        self.nu = nu
        self.step_nu = step_nu
        self.window = window
        self.sweeps = sweeps
        self.dynamic = dynamic
        self.robust = robust
        self.recalibrate = recalibrate
        self.trees = trees
        self.most_effects = most_effects
        self.priors = priors
        self.prior_only = prior_only

    def fit(
        self,
        runs: pd.DataFrame,
        y: Any = None,
        checkpoints: Checkpoints | None = None,
        progress: Count = no_count,
    ) -> Calibrator:
        """Learn from runs.

        runs : columns of the group, baseline_min and actual_min [min, > 0], ended_at (time stamps); and any of
            machine, station, operator, material, build_id, attended (a person works throughout), censored (at least
            this long), low_min (the end lies between low_min and actual_min), basis, run_key, shares (for a stage
            'a+b': its baselines by stage). Missing values are allowed; rows that cannot be used are counted.
        y : shape (n,), actual minutes, where ``runs`` has none [min]
        checkpoints : of earlier fits: weeks that they know and that are unchanged are not learned again, and the
            result is the same to the last bit; new ones are added to it
        progress : called with the number of runs gone through and of all, week by week
        Where the full model cannot be had (no solution, not enough memory), ``calibration.closed_form`` stands in, and
        the summary says so. Raises UsageError for a missing column.
        """
        from calib.calibration.checkpoints import Checkpoints
        from calib.calibration.closed_form import ClosedForm  # these need scipy, which predicting does not
        from calib.calibration.forward_pass import begin, joined
        from calib.calibration.learn_second_law import learn_second_law, past_of
        from calib.calibration.own_first_runs import as_first_runs_say

        if isinstance(y, Checkpoints):
            warnings.warn("Give checkpoints by name: fit(runs, checkpoints=...)", FutureWarning, stacklevel=2)
            y, checkpoints = None, y
        start, options = time.perf_counter(), self._options()
        given, runs = runs, with_minutes(runs, y)
        rows = read_runs(runs, options)
        options = as_first_runs_say(rows, options)
        passing = begin(rows, options, checkpoints)
        why_not = ""
        try:
            passing.run(progress)
        except (OutsideModelError, np.linalg.LinAlgError, MemoryError) as error:
            why_not = str(error) or type(error).__name__
            passing = begin(rows, replace(options, priors=None), model=ClosedForm)
            passing.run(progress)
        learner = passing.learner
        state = learner.state()
        errors = _no_errors(options)
        if rows.count:
            before = joined(passing.remembered)
            errors = _errors(runs, rows, options, before).assign(
                covariate_effect=_covariate_effect(state, rows, passing.coded)
            )
            if options.trees:
                state.second_law = learn_second_law(past_of(passing, rows.count))
        self.state_, self.errors_ = state, errors
        self.n_features_in_, self.feature_names_in_ = given.shape[1], np.array(given.columns, dtype=object)
        self.cells_ = _cells(state, rows, passing.coded)
        self.summary_: dict[str, Any] = {
            "runs_used": rows.count,
            "runs_left_out": rows.left_out,
            "has_priors": options.priors is not None and not why_not,
            "iterations": learner.sweeps_done,
            "converged": _how_it_ended(learner.change, rows.count, why_not),
            "seconds": round(time.perf_counter() - start, 3),
            "as_of": pd.Timestamp(state.ended, tz="UTC").isoformat() if rows.count else None,
        }
        return self

    def predict(self, rows: pd.DataFrame, quantiles: Any = None) -> Any:
        """Median minutes of rows that come just after the last run learned, shape (n,) [min]; with ``quantiles`` those,
        as ``predict_quantiles`` gives them.
        """
        if quantiles is not None:
            return self.predict_quantiles(rows, quantiles)
        return self.predict_quantiles(rows, (0.5,))[0.5].to_numpy()

    def predict_quantiles(self, rows: pd.DataFrame, quantiles: Any = (0.1, 0.5, 0.9)) -> pd.DataFrame:
        """Quantiles of the minutes of rows that come just after the last run learned.

        rows : columns of the group, baseline_min, and any of the factors, build_id, basis, prior_sd, floor_min
        Returns a frame with the index of ``rows``, a column for each quantile [min], and runs_behind.
        Raises UsageError for a missing column, a baseline not above 0, a prior_sd or floor_min that is none, or a
        quantile outside (0, 1); NotFittedError before the first fit where ``prior_only`` is False.
        """
        levels, state = _levels(quantiles), self._known()
        plans, expected = self._expected(rows)
        minutes = row_quantiles(state, plans, expected, levels)
        table = pd.DataFrame(minutes, index=rows.index, columns=levels.tolist())
        table["runs_behind"] = runs_behind(state, expected).astype(int)
        return table

    def single_runs(self, rows: pd.DataFrame) -> pd.DataFrame:
        """What a single run takes of its baseline, with the 80 % range: of each cell the geometric mean of its last runs'.

        rows : as for ``predict_quantiles``, in order of their ends; the last SAMPLE of each cell count
        Returns the columns of the group and SINGLE_RUN [-].
        """
        group = list(self._known().options.group)
        last = rows.groupby(group, observed=True).tail(SAMPLE)
        minutes = self.predict_quantiles(last, (0.1, 0.5, 0.9))[[0.1, 0.5, 0.9]].set_axis(SINGLE_RUN, axis=1)
        ratios = minutes.div(last["baseline_min"].astype(float), axis=0).assign(**last[group])
        ratios[SINGLE_RUN] = np.log(ratios[SINGLE_RUN])
        means: pd.DataFrame = ratios.groupby(group, observed=True, as_index=False).mean()
        means[SINGLE_RUN] = np.exp(means[SINGLE_RUN])
        return means

    def score(self, rows: pd.DataFrame, y: Any = None) -> float:
        """Minus the mean weighted interval score of log minutes at nine quantiles: the higher the better.

        rows : as for ``predict_quantiles``, with actual_min where ``y`` has no minutes, shape (n,) [min]
        """
        actual = with_minutes(rows, y)["actual_min"].to_numpy(float)
        levels = np.array(LEVELS)
        found = self.predict_quantiles(rows, LEVELS)[list(LEVELS)].to_numpy()
        return -float(weighted_interval_score(np.log(actual), np.log(found), levels).mean())

    def draws(self, rows: pd.DataFrame, n: int, seed: int, sd: Any = None) -> np.ndarray:
        """``n`` joint draws, shape (n, len(rows)) [min].

        Rows of one build_id share the build's effect; all rows share what is not known of a level, a machine, a
        person or a material. sd : shape (len(rows),) or a number, more uncertainty of the log baseline, shared
        within a build.
        """
        n, seed = whole_number(n, "n", 0, MOST_DRAWS), whole_number(seed, "seed", 0, LARGEST_SEED)
        plans, expected = self._expected(rows)
        return draw_minutes(self._known(), plans, expected, n, seed, None if sd is None else _sds(sd, plans.count))

    def draws_each(self, frames: Sequence[pd.DataFrame], n: int, seeds: Sequence[int]) -> list[np.ndarray]:
        """``draws`` of several frames, each by itself with its seed, shape (n, its rows) [min]: quicker than one after another."""
        state = self._known()
        each = zip(self._expected_each(frames), seeds, strict=True)
        return [draw_minutes(state, plans, expected, n, seed) for (plans, expected), seed in each]

    def effects(self, runs: pd.DataFrame) -> pd.DataFrame:
        """The correction of a cell split into effects, from its runs in order; see ``calibration.effects``."""
        return split_correction(self._known(), lambda rows: self._expected(rows)[1], _some(runs))

    def narrowing(self, rows: pd.DataFrame, more: int = 5) -> pd.DataFrame:
        """What ``more`` runs would do to the range of typical rows of one cell; see ``calibration.narrowing``."""
        return self.narrowing_each([rows], more)[0]

    def narrowing_each(self, frames: Sequence[pd.DataFrame], more: int = 5) -> list[pd.DataFrame]:
        """``narrowing`` of the typical rows of several cells, a frame for each."""
        more = whole_number(more, "more", 1, MOST_RUNS)
        state, each = self._known(), self._expected_each([_some(rows) for rows in frames])
        return [narrowing(state, plans, expected, more) for plans, expected in each]

    @property
    def second_law(self) -> SecondLawFacts:
        """Share of the trees in the quantiles (0: the model alone), what they won out of time [-], and what they go by most."""
        law = self._known().second_law
        return {"weight": law.weight, "gain": law.gain, "rows": law.rows, "leading": law.leading}

    def own_effects(self, is_attended: Callable[[tuple[str, ...]], bool]) -> pd.DataFrame:
        """What the runs say by themselves, for many labs' laws; see ``calibration.own_effects``."""
        return own_effects(self._known(), is_attended)

    def to_tables(self) -> dict[str, pd.DataFrame]:
        """Everything needed to predict, as tables of numbers; ``errors`` is not among them."""
        return state_tables(self._known())

    @classmethod
    def from_tables(cls, tables: dict[str, pd.DataFrame]) -> Calibrator:
        """What ``to_tables`` wrote: predictions are the same to the last bit."""
        state = state_from_tables(tables)
        made = cls(**{field.name: getattr(state.options, field.name) for field in fields(Options)})
        made.state_, made.errors_ = state, _no_errors(state.options)
        made.cells_ = pd.DataFrame(columns=[*state.options.group, "runs", "ratio_p50", "spread"])
        made.summary_ = PRIORS | {"runs_used": int(state.facts.get("rows", 0))}
        return made

    def _known(self) -> State:
        """What was learned; before the first fit the priors, where they are wanted."""
        if self.__sklearn_is_fitted__():
            return self.state_
        self._may_be_unfitted()
        return _empty_state(self._options())

    def _options(self) -> Options:
        return Options(**{field.name: getattr(self, field.name) for field in fields(Options)})

    def _expected(self, frame: pd.DataFrame) -> tuple[Rows, Predictive]:
        state = self._known()
        plans = read_plans(frame, state.options)
        coded = state.encoder.transform(plans)
        state.encoder.measure(coded, plans.log_baseline, learn=False)
        return plans, predictive(state, coded, plans)

    def _expected_each(self, frames: Sequence[pd.DataFrame]) -> list[tuple[Rows, Predictive]]:
        """The same of several frames, reckoned together."""
        if len(frames) < 2:
            return [self._expected(frame) for frame in frames]
        plans, expected = self._expected(pd.concat(frames, ignore_index=True))
        ends = np.cumsum([0, *map(len, frames)]).tolist()
        return [(plans.take(*span)[0], expected.take(*span)) for span in pairwise(ends)]


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
    parts = np.flatnonzero(place < SAMPLE)
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
