"""A company's law of each effect: its mean and its spread between sites, from each site's own estimate and variance.

The sums run over sites in the order of their names, so that they are the same however the sites were split over workers.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, TypedDict

import numpy as np
import pandas as pd

LEAST_SITES = 5  # of a law; common practice of tables that are not to show who is behind them
LARGEST_SHARE = 0.5  # of a law's weight that one site may have
MOST_UNSURE = 0.2  # standard error of a law's mean: beyond, a new site does as well with none (our choice)
MOST = 3.0  # log units of an estimate; a lab takes no prior beyond (calibration.priors)
STEPS, SETTLED = 200, 1e-12
BETWEEN = ("whole", "process", "stage", "cell", "size")  # spreads between sites; the others are as they are within one
SMALLEST_SD = 0.02
LEAST_BETWEEN = {
    "whole": 0.1,
    "process": 0.05,
    "stage": 0.05,
}  # so that a site unlike the others is not held by all its work at once
BETWEEN_WORTH, WITHIN_WORTH = 4.0, 8.0  # effects that a spread from many sites is worth in a new one (assumptions)
CELL_WORTH = 1.0  # of the levels of cells: at more, a site unlike the others is held by them
DECIMALS = 2  # of a mean or spread: one per cent of a time; finer ones would tell more of who came last
LAW = ["part", "block", "labels", "mean", "sd", "unsure", "sites", "runs"]


def moments_tau2(y: np.ndarray, v: np.ndarray) -> float:
    """Variance between sites by moments.

    y, v : shape (k,), estimates and their variances

    DerSimonian and Laird 1986, 'Meta-analysis in clinical trials', Controlled Clinical Trials 7:177-188.
    """
    w = 1 / v
    mean = w @ y / w.sum()
    excess = w @ (y - mean) ** 2 - (len(y) - 1)
    return float(max(excess / (w.sum() - (w @ w) / w.sum()), 0.0))


def reml(y: np.ndarray, v: np.ndarray) -> tuple[float, float, float]:
    """Mean, variance between sites, and standard error of the mean, by restricted maximum likelihood.

    y, v : shape (k,), k >= 2, estimates and their variances

    Fisher scoring of the restricted likelihood of y ~ N(mean, v + tau2) (Viechtbauer 2005, 'Bias and efficiency of
    meta-analytic variance estimators in the random-effects model', J. Educ. Behav. Stat. 30:261-293), from the moments'.
    """
    tau2 = moments_tau2(y, v)
    for _ in range(STEPS):
        w = 1 / (v + tau2)
        mean = w @ y / w.sum()
        # P = W - w w' / sum(w); score (y'PPy - tr P) / 2, information tr(PP) / 2
        trace = w.sum() - (w @ w) / w.sum()
        square = w @ w - 2 * (w**3).sum() / w.sum() + ((w @ w) / w.sum()) ** 2
        step = ((w**2) @ (y - mean) ** 2 - trace) / square
        before, tau2 = tau2, float(max(tau2 + step, 0.0))
        if abs(tau2 - before) < SETTLED * (1 + tau2):
            break
    w = 1 / (v + tau2)
    return float(w @ y / w.sum()), tau2, float(1 / np.sqrt(w.sum()))


def laws_of(effects: pd.DataFrame) -> pd.DataFrame:
    """One row for each effect that sites enough speak of: columns LAW, and the means are not rounded yet.

    effects : rows of ``calibration.own_effects`` of each site, with site
    """
    means = effects[effects["block"] != "spread"]
    means = means[plausible(means)].sort_values(["part", "block", "labels", "site"], kind="stable")
    rows = [_law(key, group) for key, group in means.groupby(["part", "block", "labels"], sort=True)]
    return pd.DataFrame([row for row in rows if row], columns=LAW)


def plausible(effects: pd.DataFrame) -> pd.Series:
    """Whether each estimate is one that a lab can have: one that is not must cost no other site its law."""
    sane: pd.Series = (effects["mean"].abs() <= MOST) & (effects["variance"] > 0) & np.isfinite(effects["variance"])
    return sane


def _law(key: Any, group: pd.DataFrame) -> tuple[Any, ...] | None:
    y, v = group["mean"].to_numpy(float), group["variance"].to_numpy(float)
    if len(y) < LEAST_SITES:
        return None
    mean, tau2, unsure = reml(y, v)
    weight = 1 / (v + tau2)
    if weight.max() > LARGEST_SHARE * weight.sum() or unsure > MOST_UNSURE:
        return None
    return (*key, mean, float(np.sqrt(tau2)), unsure, len(y), int(group["runs"].sum()))


class Spread(TypedDict):
    part: str
    block: str
    sd: float
    weight: float
    sites: int


def spreads_of(effects: pd.DataFrame, laws: pd.DataFrame) -> list[Spread]:
    """How much effects of each block differ."""
    parts = ("location", "scale")
    between = [one for part in parts for one in (*_between(effects, laws, part), *_slopes(laws, part))]
    return [*between, *_within(effects)]


def _within(effects: pd.DataFrame) -> Iterator[Spread]:
    """Spreads inside a lab: the middle one of all sites."""
    inside = effects[(effects["block"] == "spread") & ~effects["labels"].isin([*BETWEEN, "level"])]
    for (part, block), group in inside.groupby(["part", "labels"], sort=True):
        if len(group) >= LEAST_SITES:
            yield _spread(str(part), str(block), float(np.median(group["mean"])), WITHIN_WORTH, len(group))


def _between(effects: pd.DataFrame, laws: pd.DataFrame, part: str) -> Iterator[Spread]:
    """What sites' cells have in common apart from the laws: of all work, of a process, of a stage, and of the cell alone.

    Products of two cells' deviations at one site, averaged over pairs and sites: those of another process and stage hold
    what all work shares, those of the same process or stage that on top.
    """
    cells = laws[(laws["part"] == part) & (laws["block"] == "cell")]
    if cells.empty:
        return
    own = effects[(effects["part"] == part) & (effects["block"] == "cell")].merge(
        cells[["labels", "mean", "sd"]], on="labels", suffixes=("", "_law")
    )
    sums = {"whole": np.zeros(2), "process": np.zeros(2), "stage": np.zeros(2)}
    own = own.sort_values(["site", "labels"])
    weight = 1 / (own["sd"] ** 2 + own["variance"] + SMALLEST_SD**2)
    columns = weight * (own["mean"] - own["mean_law"]), weight, *_codes(own["labels"])
    begins = np.flatnonzero(own["site"].ne(own["site"].shift()))[1:]
    parts = (np.split(column.to_numpy(), begins) for column in columns)
    for apart, weights, process_of, stage_of in zip(*parts, strict=True):
        _add_products(apart, weights, process_of, stage_of, sums)
    share = {name: float(total / weight) if weight else 0.0 for name, (total, weight) in sums.items()}
    whole = max(share["whole"], 0.0)
    process, stage = max(share["process"] - whole, 0.0), max(share["stage"] - whole, 0.0)
    every = float((cells["sd"] ** 2 + cells["unsure"] ** 2).mean())
    sites = int(cells["sites"].max())
    for name, variance in (
        ("whole", whole),
        ("process", process),
        ("stage", stage),
        ("cell", every - whole - process - stage),
    ):
        worth = CELL_WORTH if (part, name) == ("location", "cell") else BETWEEN_WORTH
        yield _spread(part, name, variance, worth, sites)


def _slopes(laws: pd.DataFrame, part: str) -> Iterator[Spread]:
    """How far the slopes in size of sites are apart."""
    own = laws[(laws["part"] == part) & (laws["block"] == "size")]
    if len(own):
        apart, sites = float((own["sd"] ** 2 + own["unsure"] ** 2).mean()), int(own["sites"].max())
        yield _spread(part, "size", apart, BETWEEN_WORTH, sites)


def _codes(labels: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Process and stage of each cell, as numbers."""
    names = labels.str.split("\x1f", n=1, expand=True)
    return names[0].astype("category").cat.codes, names[1].astype("category").cat.codes


def _add_products(
    apart: np.ndarray, weight: np.ndarray, process: np.ndarray, stage: np.ndarray, sums: dict[str, np.ndarray]
) -> None:
    """Add one site's pairs of cells; shapes (cells,); apart : weighted."""
    pairs = np.triu(np.ones((len(weight), len(weight)), bool), 1)
    same_process, same_stage = process[:, None] == process, stage[:, None] == stage
    kinds = {"whole": ~same_process & ~same_stage, "process": same_process, "stage": same_stage & ~same_process}
    products, weights = np.outer(apart, apart), np.outer(weight, weight)
    for name, kind in kinds.items():
        sums[name] += products[pairs & kind].sum(), weights[pairs & kind].sum()


def _spread(part: str, block: str, variance: float, weight: float, sites: int) -> Spread:
    sd = max(round(float(np.sqrt(max(variance, 0.0))), DECIMALS), LEAST_BETWEEN.get(block, SMALLEST_SD))
    return {"part": part, "block": block, "sd": sd, "weight": weight, "sites": sites}


def prior_document(effects: pd.DataFrame) -> dict[str, Any]:
    """What may leave the company: means and spreads, rounded, of effects that sites enough share; nothing of a site."""
    laws = laws_of(effects)
    rows = [
        {
            "part": one["part"],
            "block": one["block"],
            "labels": one["labels"].split("\x1f"),
            "mean": round(one["mean"], DECIMALS),
            "sd": round(one["sd"], DECIMALS),
            "sites": one["sites"],
        }
        for one in laws.to_dict("records")
    ]
    return {"format": 2, "least_sites": LEAST_SITES, "laws": rows, "spreads": spreads_of(effects, laws)}
