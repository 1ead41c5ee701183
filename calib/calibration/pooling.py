"""Closed partial pooling with normal noise: the same sums, solver and variance steps, robust and dynamic parts off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.calibration.moments import accumulate, sparse_rows
from calib.calibration.solve import log_determinant, solve_and_invert
from calib.calibration.variances import next_variance

ROUNDS = 5000
SETTLED = 1e-13


@dataclass(frozen=True, eq=False)
class Pooled:
    """A linear mixed model.

    fixed, fixed_se : shape (k,), coefficients and their standard errors
    effects : for each grouping, its effects in order of their codes
    sd : of each grouping's effects; residual_sd : of the noise
    criterion : -2 log likelihood (restricted, if so fitted)
    """

    fixed: np.ndarray
    fixed_se: np.ndarray
    effects: list[np.ndarray]
    sd: list[float]
    residual_sd: float
    criterion: float


def pool(y: np.ndarray, groups: list[np.ndarray], fixed: np.ndarray | None = None, reml: bool = True) -> Pooled:
    """Fit y = fixed + effects of groupings + noise, variances by maximum (restricted) likelihood.

    y : shape (n,); groups : for each grouping, codes 0, 1, ... of shape (n,); fixed : shape (n, k), ones if None
    """
    fixed = np.ones((len(y), 1)) if fixed is None else fixed
    blocks, design = _design(groups, fixed)
    k = fixed.shape[1]
    total = float(np.var(y)) or 1.0
    variance, noise = [total / 2] * len(groups), total / 2
    for _ in range(ROUNDS):
        mean, spread, _ = _solved(design, y, blocks, k, variance, noise)
        inner = spread if reml else _random_only(design, y, blocks, k, variance, noise)
        fresh = [
            next_variance(mean[b], inner[b], v, smallest=total * 1e-12) for b, v in zip(blocks, variance, strict=True)
        ]
        determined = sum(float(np.sum(1 - inner[b] / v)) for b, v in zip(blocks, variance, strict=True))
        left = y - design @ mean
        fresh_noise = float(left @ left) / (len(y) - determined - (k if reml else 0))
        moved = max(abs(a - b) for a, b in zip([*fresh, fresh_noise], [*variance, noise], strict=True))
        variance, noise = fresh, fresh_noise
        if moved < SETTLED * total:
            break
    mean, spread, criterion = _solved(design, y, blocks, k, variance, noise, reml)
    sd = [float(np.sqrt(v)) for v in variance]
    return Pooled(mean[:k], np.sqrt(spread[:k]), [mean[b] for b in blocks], sd, float(np.sqrt(noise)), criterion)


def _design(groups: list[np.ndarray], fixed: np.ndarray):  # type: ignore[no-untyped-def]
    """Columns of each grouping after the fixed ones, and the sparse design."""
    n, k = fixed.shape
    row, column, value = [np.repeat(np.arange(n), k)], [np.tile(np.arange(k), n)], [fixed.ravel()]
    blocks, size = [], k
    for codes in groups:
        count = int(codes.max()) + 1
        blocks.append(np.arange(size, size + count))
        row.append(np.arange(n))
        column.append(size + codes)
        value.append(np.ones(n))
        size += count
    return blocks, sparse_rows(np.concatenate(row), np.concatenate(column), np.concatenate(value), (n, size))


def _solved(  # type: ignore[no-untyped-def]
    design, y: np.ndarray, blocks: list[np.ndarray], k: int, variance: list[float], noise: float, reml: bool = True
) -> tuple[np.ndarray, np.ndarray, float]:
    """Mean and variance of all coefficients, and -2 log likelihood."""
    moments = accumulate(design, y, np.full(len(y), 1 / noise))
    information = moments.information
    for block, v in zip(blocks, variance, strict=True):
        information[block, block] += 1 / v
    mean, covariance = solve_and_invert(information, moments.vector)
    inside = information if reml else information[k:, k:]
    determinant = log_determinant(inside) if len(inside) else 0.0
    determinant += len(y) * np.log(noise) + sum(len(b) * np.log(v) for b, v in zip(blocks, variance, strict=True))
    misfit = float(y @ y) / noise - float(mean @ moments.vector)
    free = len(y) - (k if reml else 0)
    return mean, np.diag(covariance).copy(), float(determinant + misfit + free * np.log(2 * np.pi))


def _random_only(  # type: ignore[no-untyped-def]
    design, y: np.ndarray, blocks: list[np.ndarray], k: int, variance: list[float], noise: float
) -> np.ndarray:
    """Variances of the effects as if the fixed coefficients were known: what plain maximum likelihood uses."""
    information = accumulate(design, y, np.full(len(y), 1 / noise)).information
    for block, v in zip(blocks, variance, strict=True):
        information[block, block] += 1 / v
    result = np.zeros(design.shape[1])
    if design.shape[1] > k:
        result[k:] = np.diag(solve_and_invert(information[k:, k:], np.zeros(design.shape[1] - k))[1])
    return result
