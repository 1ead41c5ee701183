"""How long a stage takes that runs alone and is never written down, by the gaps in which it must have run."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from calib.calendar.clock import OpenClock
from calib.calibration.calibrator import Calibrator
from calib.calibration.normal_plus_t import normal_cdf
from calib.shop.model import Shop

FEWEST_GAPS = 8  # of fewer nobody can tell a share from a wait; common practice, no source
LONG_WAIT = 0.9  # of the lab's waits: after so long somebody has come
PRIOR_LINE_SD = (0.5, 0.25)  # of the log of the share, and of the slope; assumptions
PRIOR_SD, PRIOR_GAPS = 0.3, 8.0  # spread of the log of such runs, and how many gaps it is worth; assumption
FAR = 3.0  # spreads from the line: somebody came a day late, or a row was lost
ROUNDS = 60
COLUMNS = ["process", "stage", "share", "slope", "middle_min", "sd", "is_open"]
OPEN_SHARE = 0.2  # of what it may take: the middle where it may as well be no time of its own; assumption


def unwritten_runs(gaps: pd.DataFrame, silent: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """Stages that run alone, longer than waits last, by COLUMNS: minutes = share x baseline x (baseline / middle) ^ slope.

    A run that nobody wrote down ended before the next stage began, and not earlier than a long wait (open hours) before
    it: an end in the night is known by the evening and the morning only. From such intervals a line of log minutes over
    log baselines, by expectation and maximisation (Dempster, Laird and Rubin 1977), with priors.

    gaps : of ``find_gaps`` without silent stages; silent : of ``silent_stages``, with their whole baselines
    """
    clock = OpenClock(shop.attended, shop.closures, shop.timezone)
    inside = gaps.reset_index(names="gap").merge(silent, on=["build_id", "process"], suffixes=("", "_silent"))
    inside = inside[(inside["past"] < inside["place_silent"]) & (inside["place_silent"] < inside["place"])]
    waits = gaps[~gaps.index.isin(inside["gap"]) & (gaps["started"] >= gaps["ready"])]
    if inside.empty or waits.empty:
        return pd.DataFrame(columns=COLUMNS)
    waited = clock.open_at(waits["started"].to_numpy(float)) - clock.open_at(waits["ready"].to_numpy(float))
    long_wait = float(np.quantile(waited, LONG_WAIT))
    alone = inside[~inside["gap"].duplicated(keep=False) & inside["alone_silent"]]
    found = []
    for (process, stage), own in alone.groupby(["process", "stage_silent"]):
        usual = (own["before"] == own["before"].mode()[0]) & (
            own["stage"] == own["stage"].mode()[0]
        )  # else a row was lost
        own = own[usual & (own["started"] > own["ready"])]
        if len(own) >= FEWEST_GAPS and own["minutes"].median() > long_wait:
            found.append((process, stage, *_line(own, long_wait, clock), False))
    return pd.DataFrame(found, columns=COLUMNS)


def _line(gaps: pd.DataFrame, long_wait: float, clock: OpenClock) -> tuple[float, float, float, float]:
    """Share, slope, middle baseline [min], and spread of the log with what is not known of the share."""
    ready, started = gaps["ready"].to_numpy(float), gaps["started"].to_numpy(float)
    there = clock.open_at(started) - clock.open_at(ready)
    low = np.maximum(clock.after(ready, np.maximum(there - long_wait, 0.0)) - ready, 1.0)
    bounds = np.log([low, np.maximum(started - ready, low + 1.0)])
    sizes = np.log(gaps["minutes"].to_numpy(float))
    design = np.column_stack([np.ones(len(sizes)), sizes - sizes.mean()])
    line, sd, covariance = _between(bounds - sizes, design)
    return (
        float(np.exp(line[0])),
        float(line[1]),
        float(np.exp(sizes.mean())),
        float(np.hypot(sd, covariance[0, 0] ** 0.5)),
    )


def _between(bounds: np.ndarray, design: np.ndarray) -> tuple[np.ndarray, float, np.ndarray]:
    """Regression on values known to lie between two bounds each: coefficients, spread, covariance of the coefficients.

    bounds : shape (2, n); design : shape (n, 2)
    """
    line, sd = np.zeros(2), PRIOR_SD
    prior = np.diag(np.array(PRIOR_LINE_SD) ** -2.0)
    covariance = np.zeros((2, 2))
    for _ in range(ROUNDS):
        mean, variance = _truncated(design @ line, sd, bounds)
        near = np.abs(mean - design @ line) < FAR * sd
        mean, variance, own = mean[near], variance[near], design[near]
        covariance = np.linalg.inv(own.T @ own / sd**2 + prior)
        line = covariance @ own.T @ mean / sd**2
        left = np.sum((mean - own @ line) ** 2 + variance)
        sd = float(np.sqrt((left + PRIOR_GAPS * PRIOR_SD**2) / (len(own) + PRIOR_GAPS)))
    return line, sd, covariance


def _truncated(middle: np.ndarray, sd: float, bounds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of normal values between bounds; far from the middle the nearer bound, shape (n,) each."""
    low, high = (bounds - middle) / sd
    mass = normal_cdf(high) - normal_cdf(low)
    low_density, high_density = np.exp(-(low**2) / 2), np.exp(-(high**2) / 2)
    seen = mass > 1e-6
    mass = np.where(seen, mass, 1.0) * np.sqrt(2 * np.pi)
    shift = (low_density - high_density) / mass
    variance = 1 + (low * low_density - high * high_density) / mass - shift**2
    nearest = np.clip(0.0, low, high)
    return middle + sd * np.where(seen, shift, nearest), sd**2 * np.where(seen, np.clip(variance, 0.0, 1.0), 0.0)


def beside_the_model(
    found: pd.DataFrame, silent: pd.DataFrame, baselines: pd.DataFrame, model: Calibrator
) -> pd.DataFrame:
    """The same with shares that give these minutes once the model has put its own level of other stages upon them."""
    levels = []
    for process, stage in found[["process", "stage"]].itertuples(index=False):
        rows = baselines[(baselines["process"] == process) & (baselines["stage"] == stage)]
        rows = rows[rows["build_id"].isin(silent["build_id"])]
        predicted = model.predict(rows, quantiles=(0.5,))[0.5].to_numpy(float)
        levels.append(float(np.median(predicted / rows["baseline_min"].to_numpy(float))))
    return found.assign(share=found["share"] / levels)


def silent_table(
    shares: Mapping[tuple[str, str], float], lines: pd.DataFrame, most: Mapping[tuple[str, str], float] | None = None
) -> pd.DataFrame:
    """COLUMNS of every stage that is never written down: its line, else its share alone, without a line's numbers.

    most : shares that they may have as well; a stage whose share is far below is open
    """
    known = set(lines[["process", "stage"]].itertuples(index=False, name=None))
    middle = {pair: OPEN_SHARE * share for pair, share in (most or {}).items()}
    rows = [
        (*pair, max(share, middle.get(pair, 0.0)), np.nan, np.nan, np.nan, share < middle.get(pair, 0.0))
        for pair, share in shares.items()
        if pair not in known
    ]
    return pd.DataFrame([*rows, *lines[COLUMNS].itertuples(index=False, name=None)], columns=COLUMNS)
