"""Predictive quantiles of single rows, and joint draws: rows that share a build, a machine, a person, a material or a level move together."""

from __future__ import annotations

import numpy as np

from calib.calibration.columns import UNKNOWN
from calib.calibration.normal_plus_t import draw_t, normal_score, quantile
from calib.calibration.options import FACTORS
from calib.calibration.recalibrate import NOMINAL
from calib.calibration.rows import WEEK_NS, Rows
from calib.calibration.second_law import SCORES, Signs
from calib.calibration.state import UNLEARNED_SD, Predictive, State, dense_rows
from calib.calibration.usage import usual_label


def spread_of_location(state: State, rows: Rows, expected: Predictive) -> np.ndarray:
    """Sd of what is not known of a row's location: effects, the build's share, and the baseline itself.

    A cell with few runs is not narrower than its prior says: of the gap to ``prior_sd`` the part 1 / (1 + runs)^2 stays.
    With 1 / (1 + runs) machines' stages of fresh invented labs held 91 % of runs at 80 in weeks 4 to 7, now 82. Nothing of it stays
    where other labs say what such work takes.
    Returns shape (rows,) [log].
    """
    tau2 = expected.tau2 + state.build_variance * expected.load**2 * (rows.build >= 0)
    nu = state.options.nu
    noise2 = expected.sigma**2 * nu / (nu - 2)
    prior2 = np.where(np.isfinite(rows.prior_sd), rows.prior_sd, 0.0) ** 2
    if not state.runs.sum():
        prior2 = np.where(np.isfinite(rows.prior_sd), rows.prior_sd, UNLEARNED_SD) ** 2
        return np.asarray(np.sqrt(prior2))
    gap = np.where(_known_elsewhere(state, expected), 0.0, np.maximum(prior2 - tau2 - noise2, 0.0))
    return np.asarray(np.sqrt(tau2 + gap / (1 + runs_behind(state, expected)) ** 2))


def _known_elsewhere(state: State, expected: Predictive) -> np.ndarray:
    """Whether other labs' logs show what each row's cell takes."""
    keys, columns = (
        state.design.keys.get("cell", np.zeros(0, np.int64)),
        state.design.columns.get("cell", np.zeros(0, np.int64)),
    )
    return np.isin(expected.cell, keys[state.design.centre[columns] != 0])


def noise_scale(state: State, expected: Predictive) -> np.ndarray:
    """Scale of each row's own noise; before any log all of the prior's spread is that of the location.

    Returns shape (rows,) [log].
    """
    return expected.sigma if state.runs.sum() else np.full(len(expected.sigma), 1e-6)


def runs_behind(state: State, expected: Predictive) -> np.ndarray:
    """Runs learned of each row's cell.

    Returns shape (rows,) [runs].
    """
    known = (expected.cell >= 0) & (expected.cell < len(state.runs))
    return np.where(known, np.append(state.runs, 0.0)[np.where(known, expected.cell, len(state.runs))], 0.0)


def row_quantiles(state: State, rows: Rows, expected: Predictive, levels: np.ndarray) -> np.ndarray:
    """Quantiles of each row's minutes, never below its floor, shape (rows, levels) [min]."""
    log_ratio = expected.location[:, None] + off_location(state, rows, expected, normal_score(levels))
    return np.asarray(np.maximum(rows.baseline_min[:, None] * np.exp(log_ratio), rows.floor_min[:, None]))


def off_location(
    state: State, rows: Rows, expected: Predictive, scores: np.ndarray, extra_sd: np.ndarray | None = None
) -> np.ndarray:
    """Quantiles of log(actual / baseline) less the location, at normal scores (k,): shape (n, k).

    extra_sd : shape (n,), more uncertainty of the log baseline
    Scores have no unit [-], quantiles are logs [log].
    """
    tau = spread_of_location(state, rows, expected)
    wide = tau if extra_sd is None else np.hypot(tau, extra_sd)

    def model(at: np.ndarray, tau: np.ndarray) -> np.ndarray:
        score = state.recalibration.stretched(at, expected.cell, expected.attended)
        return quantile(score, tau, noise_scale(state, expected), state.options.nu)

    own = model(scores, wide)
    law = state.second_law
    if law.weight == 0:
        return own
    middle = expected.location[:, None]
    alone = model(np.concatenate([SCORES, scores]), tau)
    blended = law.blend(middle + alone, scores, signs_of(state, rows, expected)) - middle
    return np.asarray(blended + own - alone[:, len(SCORES) :])


def signs_of(state: State, rows: Rows, expected: Predictive) -> Signs:
    """What the second law goes by, of rows to come."""
    spread = np.hypot(spread_of_location(state, rows, expected), expected.sigma)
    codes = {
        name: usual_label(state.usage, name, expected.cell, code) if name in FACTORS else code
        for name, code in expected.codes.items()
    }
    return Signs(
        np.log(rows.baseline_min), expected.location, np.log(spread), np.log1p(runs_behind(state, expected)),
        np.full(rows.count, state.ended / WEEK_NS), codes,
    )  # fmt: skip


_UPPER = np.sort(np.append(NOMINAL, [0.35, 1.0, 2.5, 3.2, 4.0]))
NODES = np.concatenate([-_UPPER[::-1], [0.0], _UPPER])  # normal scores at which draws are stretched
JITTER = 1e-12


def draw_minutes(
    state: State, rows: Rows, expected: Predictive, n: int, seed: int, extra_sd: np.ndarray | None = None
) -> np.ndarray:
    """``n`` joint draws of all rows, shape (n, rows) [min]; the same seed gives the same draws."""
    rng = np.random.default_rng(seed)
    count = rows.count
    sigma = noise_scale(state, expected)
    root = _root(_covariance(state, rows, expected, extra_sd))
    off = root @ rng.standard_normal((count, n))
    off += draw_t(rng, state.options.nu, (count, n)) * sigma[:, None]
    off = _stretched(state, rows, expected, off, extra_sd) + expected.location[:, None]
    return np.asarray(np.maximum(rows.baseline_min[:, None] * np.exp(off), rows.floor_min[:, None]).T)


def _covariance(state: State, rows: Rows, expected: Predictive, extra_sd: np.ndarray | None) -> np.ndarray:
    """Covariance of what is not known of the rows' locations, shape (rows, rows)."""
    n = rows.count
    covariance = effect_covariance(state, expected, n)
    same = (rows.build[:, None] == rows.build[None]) & (rows.build >= 0)[:, None]
    covariance += state.build_variance * same * np.outer(expected.load, expected.load)
    wanted = spread_of_location(state, rows, expected) ** 2
    if extra_sd is not None:
        covariance += same * np.outer(extra_sd, extra_sd)
        wanted = wanted + extra_sd**2
        lonely = rows.build < 0
        covariance[lonely, lonely] += extra_sd[lonely] ** 2
    at = np.arange(n)
    if not state.runs.sum():
        covariance[:] = 0.0
    covariance[at, at] += np.maximum(wanted - covariance[at, at], 0.0)
    return covariance


def effect_covariance(state: State, expected: Predictive, n: int, unsaid: bool = True) -> np.ndarray:
    """Covariance of what the effects say of ``n`` rows, shape (n, n).

    unsaid : with what a label that nobody says hides of them, which no run takes away
    Of logs [log^2].
    """
    entries = expected.entries
    used, design = dense_rows(entries.row, entries.column, entries.value, n)
    covariance = np.zeros((n, n))
    if len(used):
        covariance = design @ state.location.covariance[np.ix_(used, used)] @ design.T
    return np.asarray(covariance + _unseen(state, expected, n, unsaid))


def _unseen(state: State, expected: Predictive, n: int, unsaid: bool) -> np.ndarray:
    """Effects without a column: rows that name the same one share it."""
    entries = expected.entries
    kept = (entries.new_key != UNKNOWN) | unsaid
    if not kept.any():
        return np.zeros((n, n))
    row, block, key, value = (
        column[kept] for column in (entries.new_row, entries.new_block, entries.new_key, entries.new_value)
    )
    pairs = np.column_stack([block, key])
    _, effect = np.unique(pairs, axis=0, return_inverse=True)
    shared = np.zeros((n, int(effect.max()) + 1))
    sd = np.sqrt([min(state.location.variance[block.name], 0.25) for block in state.design.blocks])
    np.add.at(shared, (row, effect.ravel()), value * sd[block])
    return shared @ shared.T


def _root(covariance: np.ndarray) -> np.ndarray:
    at = np.arange(len(covariance))
    covariance[at, at] = covariance[at, at] * (1 + 1e-9) + JITTER
    return np.linalg.cholesky(covariance)


def _stretched(
    state: State, rows: Rows, expected: Predictive, off: np.ndarray, extra_sd: np.ndarray | None
) -> np.ndarray:
    """Draws moved so that each row's own quantiles are those of ``predict``."""
    tau, sigma = spread_of_location(state, rows, expected), noise_scale(state, expected)
    if extra_sd is not None:
        tau = np.hypot(tau, extra_sd)
    raw = quantile(NODES, tau, sigma, state.options.nu)
    wanted = off_location(state, rows, expected, NODES, extra_sd)
    for one, here, there in zip(off, raw, wanted, strict=True):
        if not np.array_equal(here, there):
            one += np.interp(one, here, there - here)
    return off
