"""What a fit knows at one moment, as numbers: enough to predict, nothing of the rows it came from."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calib.calibration.design import Coded, Design, Entries
from calib.calibration.encoder import Encoder
from calib.calibration.options import FACTORS, Options
from calib.calibration.recalibrate import Recalibration
from calib.calibration.row_variance import row_variance
from calib.calibration.rows import Rows
from calib.calibration.second_law import SecondLaw
from calib.calibration.usage import Usage, entries_as_usual

SCALE_OFFSET = float(np.log(0.15))  # log of the noise's scale that the scale effects start from
SMALLEST_SIGMA = 0.004  # no scale collapses where half the actuals equal the plan
STEP_HEADROOM = 1.5  # next week's step comes from a heavy-tailed law: wider than its scale
COLD_STEPS = 4.0  # weeks of steps that a cell without a walking level may have made
UNLEARNED_SD = 0.5  # sd of log(actual / baseline) before any log, where a row does not say (an assumption)
BUILD_START = 0.004  # variance of the effect that a build's runs share, before any log (an assumption)
LOAD_START = 0.4  # what a machine's stage shows of it, before any log (an assumption)


@dataclass(eq=False)
class Posterior:
    """Effects of one design.

    mean : shape (p,); covariance : shape (p, p); variance : block name -> how much its effects differ
    """

    mean: np.ndarray
    covariance: np.ndarray
    variance: dict[str, float]


@dataclass(eq=False)
class State:
    """A fit. ``step``, ``runs`` and ``attended`` are by cell code: weekly step variance, runs, and kind."""

    options: Options
    encoder: Encoder
    design: Design
    scale_design: Design
    location: Posterior
    scale: Posterior
    step: np.ndarray
    step_of_kind: np.ndarray
    runs: np.ndarray
    build_variance: float
    machine_load: float
    recalibration: Recalibration
    ended: int
    usage: Usage
    facts: dict[str, float] = field(default_factory=dict)
    second_law: SecondLaw = field(default_factory=SecondLaw)


@dataclass(eq=False)
class Predictive:
    """What is expected of rows, on log(actual / baseline).

    location : shape (n,); tau2 : shape (n,), variance of what is not known of it, without the build's effect
    load : shape (n,), how much of the build's effect a row shows; sigma : shape (n,), scale of its own noise
    entries : for those who need the parts; codes : column of the group or factor -> code of the first part, shape (n,)
    """

    location: np.ndarray
    tau2: np.ndarray
    load: np.ndarray
    sigma: np.ndarray
    entries: Entries
    cell: np.ndarray
    attended: np.ndarray
    codes: dict[str, np.ndarray]

    def take(self, start: int, stop: int) -> Predictive:
        """What is expected of the rows ``start`` to before ``stop`` by themselves."""
        of_rows = {name: getattr(self, name)[start:stop] for name in BY_ROW}
        codes = {name: code[start:stop] for name, code in self.codes.items()}
        return Predictive(entries=self.entries.take(start, stop), codes=codes, **of_rows)


BY_ROW = ("location", "tau2", "load", "sigma", "cell", "attended")  # of what is expected, shape (rows,) each


def predictive(state: State, coded: Coded, rows: Rows, weeks_ahead: float = 1.0) -> Predictive:
    """What the state expects of rows that end ``weeks_ahead`` weeks after its last."""
    n = rows.count
    entries = entries_as_usual(state.design, coded, state.usage)
    location, known = _mean_and_variance(entries, state.location, n)
    tau2 = known + _never_seen(entries, state.design, state.location, n) + _step(state, coded, n, weeks_ahead)
    scale_entries = entries_as_usual(state.scale_design, coded, state.usage)
    log_sigma, scale_variance = _mean_and_variance(scale_entries, state.scale, n)
    scale_variance = scale_variance + _never_seen(scale_entries, state.scale_design, state.scale, n)
    sigma = np.exp(log_sigma + SCALE_OFFSET + share_offset(coded, n) + np.minimum(scale_variance, 0.5) / 2)
    first = first_parts(coded.part_row, n)
    return Predictive(
        location,
        tau2,
        row_load(coded, n, state.machine_load),
        np.sqrt(sigma**2 + SMALLEST_SIGMA**2),
        entries,
        coded.codes["cell"][first],
        coded.attended[first],
        {name: coded.codes[name][first] for name in (*state.options.group, *FACTORS)},
    )


def covariate_effect(state: State, coded: Coded, n: int) -> np.ndarray:
    """The part of the location that is not the stage's own, shape (n,): who, where, what of, how large.

    In logs [log].
    """
    own = np.zeros(len(state.location.mean), bool)
    for name in ("whole", *state.options.group, "cell", "level"):
        own[state.design.columns.get(name, np.zeros(0, np.int64))] = True
    entries = state.design.entries(coded)
    share = np.where(own[entries.column], 0.0, entries.value * state.location.mean[entries.column])
    return np.bincount(entries.row, share, n)


def together(predictions: list[Predictive]) -> Predictive:
    """Several as one, in their order; the parts that make up their locations are left out."""
    none = np.zeros(0, np.int64)
    joined = {name: np.concatenate([getattr(prediction, name) for prediction in predictions]) for name in BY_ROW}
    return Predictive(codes={}, entries=Entries(none, none, np.zeros(0), none, none, none, np.zeros(0)), **joined)


def first_parts(part_row: np.ndarray, n: int) -> np.ndarray:
    """Index of the first part of each row.

    part_row : shape (parts,), row of each part, in order [-]; returns shape (n,) [-].
    """
    return np.searchsorted(part_row, np.arange(n))


def share_offset(coded: Coded, n: int) -> np.ndarray:
    """Log of how much the noise of a sum is smaller than that of its parts; 0 for a row of one part.

    Returns shape (n,) [log].
    """
    return 0.5 * np.log(np.bincount(coded.part_row, coded.share**2, n))


def row_load(coded: Coded, n: int, machine_load: float) -> np.ndarray:
    """How much each row shows of its build's shared effect: 1 where a person works.

    Returns shape (n,), in [0, 1] [-].
    """
    load = np.where(coded.attended == 1, 1.0, machine_load) * coded.share
    return np.bincount(coded.part_row, load, n)


def dense_rows(row: np.ndarray, column: np.ndarray, value: np.ndarray, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Dense design of few rows over the columns that they use: (columns, (n, k) matrix).

    row, column, value : shape (entries,), of the sparse design [-]; columns : shape (k,) [-]
    """
    used, place = np.unique(column, return_inverse=True)
    matrix = np.zeros((n, len(used)))
    np.add.at(matrix, (row, place), value)
    return used, matrix


def _mean_and_variance(entries: Entries, posterior: Posterior, n: int) -> tuple[np.ndarray, np.ndarray]:
    mean = np.bincount(entries.row, entries.value * posterior.mean[entries.column], n)
    return mean, row_variance(entries.row, entries.column, entries.value, posterior.covariance, n)


def _never_seen(entries: Entries, design: Design, posterior: Posterior, n: int) -> np.ndarray:
    by_block = np.array([min(posterior.variance[block.name], UNLEARNED_SD**2) for block in design.blocks])
    return np.bincount(entries.new_row, by_block[entries.new_block] * entries.new_value**2, n)


def _step(state: State, coded: Coded, n: int, weeks_ahead: float) -> np.ndarray:
    """Variance of what the level may do until then."""
    if not state.options.dynamic:
        return np.zeros(n)
    cell = coded.codes["cell"]
    key = np.isin(cell, state.design.keys["level"])
    own = np.append(state.step, 0.0)[np.where((cell >= 0) & (cell < len(state.step)), cell, len(state.step))]
    kind = state.step_of_kind[coded.attended] * (COLD_STEPS + weeks_ahead)
    variance = STEP_HEADROOM * np.where(key, own * weeks_ahead, kind)
    return np.bincount(coded.part_row, variance * coded.share**2, n)
