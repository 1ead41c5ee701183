"""How much effects of one kind differ: variances of blocks from the effects' posterior."""

from __future__ import annotations

import numpy as np

from calib.calibration.design import Design

SMALLEST = 1e-7  # variance at which a block counts as having no effect


def next_variance(
    mean: np.ndarray,
    variance: np.ndarray,
    now: float,
    prior: float = 0.0,
    prior_weight: float = 0.0,
    smallest: float = SMALLEST,
) -> float:
    """One fixed-point step towards the variance that makes the data most likely.

    mean, variance : shape (k,), posterior of the block's effects; now : present variance of the block
    prior, prior_weight : variance expected before any data, and the number of effects that it is worth
    smallest : variance at which it stops

    The number of effects that the data determine is sum(1 - variance / now) (MacKay 1992, 'Bayesian interpolation',
    Neural Computation 4:415-447); the variance is the sum of squares over that number. It has the fixed points of the
    EM step and goes quickly to zero where no effect is.
    Effects are logs [log], their variances [log^2].
    """
    determined = float(np.sum(1 - variance / now))
    squares = float(mean @ mean)
    total = max(determined, 0.0) + prior_weight
    return max((squares + prior_weight * prior) / max(total, 1e-12), smallest)


def next_variances(design: Design, mean: np.ndarray, covariance: np.ndarray, now: dict[str, float]) -> dict[str, float]:
    """One step for all blocks of a design whose variance is learned.

    mean : shape (p,), of all effects [log]; covariance : shape (p, p), of these [log^2]; now : by block [log^2]
    """
    diagonal, after = np.diag(covariance), dict(now)
    for block in design.blocks:
        at = design.columns[block.name]
        if not block.fixed and len(at):
            after[block.name] = next_variance(
                mean[at] - design.centre[at], diagonal[at], now[block.name], block.start_sd**2, block.start_weight
            )
    return after
