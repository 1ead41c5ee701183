"""What a lab's own runs say of its effects, without what its model expected of them: what many labs' laws are made of."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from calib.calibration.design import RADIX, Design
from calib.calibration.encoder import SEPARATOR
from calib.calibration.priors import BUILD, LOCATION, SCALE
from calib.calibration.state import Posterior, State

FEWEST_RUNS = 10  # of a cell that says anything to others; our choice
YEAR_WEEKS = 52.0  # of steps that a walking level may have made
SAYS = 0.9  # share of its prior's variance from which on an effect's runs carry no information; our choice
COLUMNS = ["part", "block", "labels", "mean", "variance", "runs"]


def own_effects(state: State, is_attended: Callable[[tuple[str, ...]], bool]) -> pd.DataFrame:
    """One row for each effect that the runs speak of, and each spread.

    part : 'location' of log(actual / baseline), or 'scale' of the log of the noise's scale
    block : 'cell' (all that a cell shares: whole, group, cell and level), 'size' (the slope in size), 'material', 'machine';
        'spread' for how much the effects of the block in ``labels`` differ within the lab, with the variance as ``mean``,
        ``BUILD`` among them
    labels : joined by ``SEPARATOR``; of a size, material or machine the last is '1' where a person works, else '0'
    mean, variance : of a normal likelihood: the posterior with the prior taken out
    runs : of the cell; 0 for the others

    is_attended : whether a person works throughout in a cell of these labels
    """
    rows = [
        *_cells(state, LOCATION, is_attended),
        *_cells(state, SCALE, is_attended),
        *_alone(state, LOCATION, "size"),
        *_alone(state, SCALE, "size"),
        *_alone(state, LOCATION, "material"),
        *_alone(state, LOCATION, "machine"),
    ]
    for part, posterior in ((LOCATION, state.location), (SCALE, state.scale)):
        rows += [(part, "spread", block, variance, 0.0, 0) for block, variance in posterior.variance.items()]
    rows.append((LOCATION, "spread", BUILD, state.build_variance, 0.0, 0))
    return pd.DataFrame(rows, columns=COLUMNS)


def likelihood_of(
    mean: np.ndarray, covariance: np.ndarray, prior_mean: np.ndarray, prior_covariance: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of each parameter by the data alone, from its normal posterior and prior; shapes (k,), (k, k).

    Precisions and precision-weighted means subtract (Gelman et al. 2013, 'Bayesian data analysis', 3rd ed., sec. 3.5). A
    direction of which the data say nothing keeps a variance of ten thousand priors.
    Parameters are logs [log], variances [log^2].
    """
    prior = np.linalg.inv(prior_covariance)
    posterior = np.linalg.inv(covariance)
    values, vectors = np.linalg.eigh((posterior - prior + (posterior - prior).T) / 2)
    values = np.maximum(values, 1e-4 * np.diag(prior).min())
    own = (vectors / values) @ vectors.T
    return own @ (posterior @ mean - prior @ prior_mean), np.diag(own)


def _cells(
    state: State, part: str, is_attended: Callable[[tuple[str, ...]], bool]
) -> Iterator[tuple[str, str, str, float, float, int]]:
    """Each cell with runs enough: its level, or the log of its scale."""
    codes = np.flatnonzero(state.runs >= FEWEST_RUNS)
    if not len(codes):
        return
    design, posterior = (state.design, state.location) if part == LOCATION else (state.scale_design, state.scale)
    labels = state.encoder.labels("cell")
    z = np.zeros((len(codes), len(posterior.mean)))
    for row, code in enumerate(codes.tolist()):
        whole = int(part == SCALE and is_attended(tuple(labels[code].split(SEPARATOR))))
        for block, key in _keys_of_cell(state, labels[code], code, whole):
            if block in design.keys:
                z[row, design.columns[block][design.keys[block] == key]] = 1.0
    prior = z @ np.diag(_prior_variance(state, design, posterior)) @ z.T
    mean, variance = likelihood_of(
        z @ posterior.mean, z @ posterior.covariance @ z.T, z @ design.centre[: len(posterior.mean)], prior
    )
    for code, own, unsure in zip(codes.tolist(), mean.tolist(), variance.tolist(), strict=True):
        yield part, "cell", labels[code], own, unsure, int(state.runs[code])


def _keys_of_cell(state: State, label: str, code: int, whole: int) -> Iterator[tuple[str, int]]:
    """Block and key of each effect that all runs of a cell share; the scale has two of all work, by who does it."""
    for name, own in zip(state.options.group, label.split(SEPARATOR), strict=True):
        yield name, state.encoder.codes[name][own]
    yield from (("cell", code), ("level", code), ("whole", whole))


def _prior_variance(state: State, design: Design, posterior: Posterior) -> np.ndarray:
    spread = np.zeros(len(posterior.mean))
    for block in design.blocks:
        spread[design.columns[block.name]] = posterior.variance[block.name]
    if "level" in design.keys:
        spread[design.columns["level"]] += YEAR_WEEKS * state.step[design.keys["level"]]
    return spread


def _alone(state: State, part: str, block: str) -> Iterator[tuple[str, str, str, float, float, int]]:
    """Effects of a block with keys (label, attended) or (attended), each by itself, where the runs have said anything of them."""
    design, posterior = (state.design, state.location) if part == LOCATION else (state.scale_design, state.scale)
    prior, labels = posterior.variance[block], state.encoder.labels(block)
    for key, column in zip(design.keys[block].tolist(), design.columns[block].tolist(), strict=True):
        variance, centre = posterior.covariance[column, column], design.centre[column]
        if variance < SAYS * prior:
            precision = 1 / variance - 1 / prior
            own = (posterior.mean[column] / variance - centre / prior) / precision
            label = SEPARATOR.join([*labels[key // RADIX :][:1], str(key % RADIX)])
            yield part, block, label, float(own), float(1 / precision), 0
