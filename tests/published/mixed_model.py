"""The calibration's own weekly pass as a plain linear mixed model: one week, normal noise, steady levels, no priors,
no least noise.

What is run is ``WeeklyPass`` itself: its sums, its solver, its steps for variances and for the noise. What is put in its
place are the blocks of effects, those of the published model, with flat priors. Its variances are then REML estimates.
The maximum likelihood ones take the fixed effects as known: for balanced data they are the plain means, which the test
takes off y before.
"""

from __future__ import annotations

from dataclasses import dataclass
from unittest.mock import patch

import numpy as np
import pandas as pd

from calib.calibration import scales, weekly
from calib.calibration.design import Block, Design
from calib.calibration.options import Options
from calib.calibration.rows import read_runs
from calib.records import TERMS

SLOTS = ("machine", "station", "material")  # columns that carry groupings
FLAT = 1e4  # prior sd of what is no random effect
NOISE = 0.15  # the noise is scaled to about this, where the model starts from
SIZE = 0.25  # the covariate is scaled by this: the model bounds sizes at 3


@dataclass(frozen=True)
class Grouping:
    """Random effects: ``codes`` of shape (n,), and a slope of the covariate within them if ``slope``."""

    codes: np.ndarray
    slope: bool = False


@dataclass(frozen=True)
class Fitted:
    """sd : of each grouping's effects, its slope's after its own; effects : in the same order, sorted by code
    noise : sd; fixed : mean of each fixed level; slope : of the covariate
    """

    sd: list[float]
    noise: float
    fixed: np.ndarray
    fixed_sd: np.ndarray
    slope: float
    slope_sd: float
    effects: list[np.ndarray]


def fit(
    y: np.ndarray,
    groupings: list[Grouping],
    fixed: np.ndarray | None = None,
    covariate: np.ndarray | None = None,
    known: bool = False,
    scale: float | None = None,
    sweeps: int = 150,
) -> Fitted:
    """Fit y = level of ``fixed`` (one for all if None) + slope * covariate + groupings + noise.

    known : fixed effects are 0, taken off y before: maximum likelihood instead of REML
    scale : about the sd of the noise
    """
    unit = NOISE / (scale or float(np.std(y)))
    # not quite the mean: a row that takes just its baseline is a copy of the plan to the model and says nothing of the noise
    shift = 0.0 if known else float(np.mean(y) + np.std(y) / 100)
    x = np.zeros(len(y)) if covariate is None else SIZE * covariate
    columns = dict(zip(SLOTS, (g.codes for g in groupings), strict=False))
    runs = pd.DataFrame(
        {
            "level": np.zeros(len(y), int) if fixed is None else fixed,
            **{name: [f"{c:04d}" for c in codes] for name, codes in columns.items()},
        }
    ).assign(baseline_min=np.exp(x), actual_min=np.exp(x + (y - shift) * unit), ended_at=pd.Timestamp("2026-01-05"))
    blocks = _blocks(groupings, covariate is not None, known)
    learner = _pass(blocks, len(np.unique(runs["level"])))
    rows = read_runs(runs, learner.options)
    learner.encoder.fit(rows)
    coded = learner.encoder.transform(rows)
    learns_in_each = patch.multiple(weekly, FEW_ROWS=len(y) + 1, FIRST_SWEEPS=sweeps)
    with learns_in_each, patch.object(scales, "SMALLEST_SIGMA", 0.0):
        _, expected = learner.predict(0, rows, coded)
        learner.update(0, rows, coded, expected)
    return _read(learner, unit, shift)


def _blocks(groupings: list[Grouping], slope: bool, known: bool) -> tuple[Block, ...]:
    blocks = [] if known else [Block("fixed", ("cell",), start_sd=FLAT, fixed=True)]
    if slope and not known:
        blocks.append(Block("slope", (), "size", start_sd=FLAT, fixed=True))
    for slot, grouping in zip(SLOTS, groupings, strict=False):
        blocks.append(Block(slot, (slot,), start_sd=0.2, start_weight=0.0))
        if grouping.slope:
            blocks.append(Block(f"{slot}_slope", (slot,), "size", start_sd=0.2, start_weight=0.0))
    return tuple(blocks)


def _pass(blocks: tuple[Block, ...], cells: int) -> weekly.WeeklyPass:
    options = Options(group="level", nu=1e6, dynamic=False, robust=False, recalibrate=False, window=1)
    learner = weekly.WeeklyPass(options)
    learner.encoder.middle = [np.zeros(1 + TERMS)] * cells  # the covariate counts from 0
    learner.design = Design(blocks, options.most_effects)
    learner.variance = {block.name: block.start_sd**2 for block in blocks}
    learner.scales.design = Design((Block("whole", (), start_sd=FLAT, fixed=True),), 1)
    learner.scales.variance = {"whole": FLAT**2}
    return learner


def _read(learner: weekly.WeeklyPass, unit: float, shift: float) -> Fitted:
    random = [block.name for block in learner.design.blocks if block.name not in ("fixed", "slope")]
    at = {name: learner.design.columns.get(name, np.zeros(0, int)) for name in (*random, "fixed", "slope")}
    per = {name: SIZE if name.endswith("slope") else 1.0 for name in at}
    sd = np.sqrt(np.diag(learner.covariance))
    window = learner.weeks[-1]
    noise = float(np.sqrt(np.mean(window.residual**2 + window.spread2)))
    slope = [float(values[at["slope"][0]]) * SIZE / unit if len(at["slope"]) else 0.0 for values in (learner.mean, sd)]
    return Fitted(
        [float(np.sqrt(learner.variance[name])) * per[name] / unit for name in random],
        noise / unit,
        learner.mean[at["fixed"]] / unit + shift,
        sd[at["fixed"]] / unit,
        *slope,
        [learner.mean[at[name]] * per[name] / unit for name in random],
    )


Random = list[tuple[np.ndarray, float, np.ndarray | float]]  # codes, sd, and what multiplies the effect


def criterion(y: np.ndarray, mean: np.ndarray, random: Random, noise: float) -> float:
    """-2 log likelihood of y ~ N(mean, V), V from random effects and noise, by dense algebra."""
    covariance, off = _covariance(len(y), random, noise), y - mean
    misfit = off @ np.linalg.solve(covariance, off)
    return float(np.linalg.slogdet(covariance)[1] + misfit + len(y) * np.log(2 * np.pi))


def restricted(y: np.ndarray, design: np.ndarray, random: Random, noise: float) -> float:
    """The REML criterion of y with fixed effects of ``design``, likewise."""
    solved = np.linalg.solve(_covariance(len(y), random, noise), np.column_stack([design, y]))
    inner = design.T @ solved[:, :-1]
    beta = np.linalg.solve(inner, design.T @ solved[:, -1])
    whole = criterion(y, design @ beta, random, noise)
    return float(whole + np.linalg.slogdet(inner)[1] - design.shape[1] * np.log(2 * np.pi))


def _covariance(n: int, random: Random, noise: float) -> np.ndarray:
    covariance = noise**2 * np.eye(n)
    for codes, sd, times in random:
        covariance += sd**2 * (codes[:, None] == codes[None]) * np.outer(times * np.ones(n), times * np.ones(n))
    return covariance
