"""What rows contribute to the normal equations, as sums that add (an engine can do the summing); and their solution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sparse
from scipy.linalg import lapack

from calib.calibration.arrowhead import arrowhead, factor_of, inverse_of, solve_arrowhead
from calib.errors import OutsideModelError


@dataclass(frozen=True, eq=False)
class Moments:
    """Sums over rows of a weighted linear model; those of two sets of rows add up to those of both.

    information : shape (p, p), Z' W Z less what the shared effects of builds explain
    vector : shape (p,), Z' W y likewise
    rows : rows summed
    """

    information: np.ndarray
    vector: np.ndarray
    rows: int = 0

    def __add__(self, other: Moments) -> Moments:
        return Moments(self.information + other.information, self.vector + other.vector, self.rows + other.rows)

    def padded(self, size: int) -> Moments:
        """The same for ``size`` parameters, the new ones without any row."""
        more = size - len(self.vector)
        return Moments(np.pad(self.information, (0, more)), np.pad(self.vector, (0, more)), self.rows)


@dataclass(frozen=True, eq=False)
class SharedEffect:
    """An effect that the rows of one build share, to be eliminated exactly.

    build : shape (n,), 0 .. count - 1, or -1 where the row shares with none
    load : shape (n,), how much of it a row shows [-]
    variance : its variance; 0 where there is none
    """

    build: np.ndarray
    load: np.ndarray
    variance: float

    @property
    def count(self) -> int:
        return int(self.build.max(initial=-1)) + 1


def sparse_rows(row: np.ndarray, column: np.ndarray, value: np.ndarray, shape: tuple[int, int]) -> sparse.csr_matrix:
    """Rows of the design as a sparse matrix; entries of one place add up.

    row, column, value : shape (entries,); places [-] and values [-]; shape : of the matrix
    """
    return sparse.csr_matrix((value, (row, column)), shape)


def scaled(matrix: sparse.csr_matrix, weight: np.ndarray) -> sparse.csr_matrix:
    """Each row times its weight.

    weight : shape (n,), one for each row of the matrix [any]
    """
    data = matrix.data * np.repeat(weight, np.diff(matrix.indptr))
    return sparse.csr_matrix((data, matrix.indices, matrix.indptr), matrix.shape)


def accumulate(
    design: sparse.csr_matrix, y: np.ndarray, weight: np.ndarray, shared: SharedEffect | None = None
) -> Moments:
    """Moments of rows: all rows of a build must be in one call.

    design : (n, p); y : shape (n,); weight : shape (n,), one over the variance of each row
    y is a log of actual over baseline [log], weights are [1/log^2].
    """
    left, right = design, scaled(design, weight)
    vector = right.T @ y
    if shared is not None and shared.variance > 0 and shared.count:
        on_build, precision, total = _by_build(right, y, weight, shared)
        less = scaled(on_build, -1 / precision)
        vector = vector + less.T @ total
        left, right = sparse.vstack([left, on_build], "csr"), sparse.vstack([right, less], "csr")
    return Moments((left.T @ right).toarray(), vector, len(y))


def build_effects(
    residual: np.ndarray, weight: np.ndarray, shared: SharedEffect | None
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of the shared effect in each row given residuals: (load g, load^2 var g), shape (n,) each.

    residual : shape (n,) [log]; weight : shape (n,) [1/log^2]
    """
    if shared is None or shared.variance <= 0 or not shared.count:
        return np.zeros(len(residual)), np.zeros(len(residual))
    has = shared.build >= 0
    at = shared.build[has]
    precision = np.bincount(at, (weight * shared.load**2)[has], shared.count) + 1 / shared.variance
    mean = np.bincount(at, (weight * shared.load * residual)[has], shared.count) / precision
    effect, variance = np.zeros(len(residual)), np.zeros(len(residual))
    effect[has] = shared.load[has] * mean[at]
    variance[has] = shared.load[has] ** 2 / precision[at]
    return effect, variance


def _by_build(
    weighted: sparse.csr_matrix, y: np.ndarray, weight: np.ndarray, shared: SharedEffect
) -> tuple[sparse.csr_matrix, np.ndarray, np.ndarray]:
    """Sums over each build: load-weighted design rows, precision of the effect, load-weighted y."""
    has = np.flatnonzero(shared.build >= 0)
    loads = sparse.csr_matrix((shared.load[has], (shared.build[has], has)), (shared.count, len(y)))
    precision = np.asarray(loads.multiply(loads) @ weight).ravel() + 1 / shared.variance
    return (loads @ weighted).tocsr(), precision, loads @ (weight * y)


def solve_and_invert(
    information: np.ndarray, vector: np.ndarray, block: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Posterior mean and covariance of a symmetric positive definite system.

    information : shape (p, p); vector : shape (p,); block : shape (p,), see ``arrowhead``
    Raises OutsideModelError when the system has no solution.
    Effects are logs [log]: information in [1/log^2], vector in [1/log].
    """
    parted = arrowhead(information, block) if block is not None else None
    if parted is not None:
        return solve_arrowhead(parted, vector)
    factor = factor_of(information)
    return _mean(factor, vector), inverse_of(factor)


def _mean(factor: np.ndarray, vector: np.ndarray) -> np.ndarray:
    mean, _ = lapack.dpotrs(factor, vector, lower=1)
    if not np.isfinite(mean).all():
        raise OutsideModelError(
            "the effects of the fit are not finite", "Look for baselines or minutes beyond any sense in the logs."
        )
    return np.asarray(mean)
