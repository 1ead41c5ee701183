"""What rows contribute to the normal equations, as sums that add (an engine can do the summing); and their solution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sparse
from scipy.linalg import lapack

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
    """Rows of the design as a sparse matrix; entries of one place add up."""
    return sparse.csr_matrix((value, (row, column)), shape)


def scaled(matrix: sparse.csr_matrix, weight: np.ndarray) -> sparse.csr_matrix:
    """Each row times its weight."""
    data = matrix.data * np.repeat(weight, np.diff(matrix.indptr))
    return sparse.csr_matrix((data, matrix.indices, matrix.indptr), matrix.shape)


def accumulate(
    design: sparse.csr_matrix, y: np.ndarray, weight: np.ndarray, shared: SharedEffect | None = None
) -> Moments:
    """Moments of rows: all rows of a build must be in one call.

    design : (n, p); y : shape (n,); weight : shape (n,), one over the variance of each row
    """
    weighted = scaled(design, weight)
    information = (design.T @ weighted).toarray()
    vector = weighted.T @ y
    if shared is not None and shared.variance > 0 and shared.count:
        on_build, precision, total = _by_build(weighted, y, weight, shared)
        lean = scaled(on_build, 1 / precision)
        information -= (on_build.T @ lean).toarray()
        vector = vector - lean.T @ total
    return Moments(information, vector, len(y))


def build_effects(
    residual: np.ndarray, weight: np.ndarray, shared: SharedEffect | None
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of the shared effect in each row given residuals: (load g, load^2 var g), shape (n,) each."""
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


def solve(information: np.ndarray, vector: np.ndarray, tail: int) -> tuple[np.ndarray, np.ndarray]:
    """Posterior mean of a symmetric positive definite system, and the covariance of its last ``tail`` parameters alone.

    information : shape (p, p), only the lower triangle is read; vector : shape (p,)
    Returns shapes (p,) and (tail, tail). The inverse of all takes several times as long.
    Raises OutsideModelError when the system has no solution.
    """
    factor = _factor(information)
    last = len(vector) - tail
    return _mean(factor, vector), _inverse(factor[last:, last:])


def solve_and_invert(information: np.ndarray, vector: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Posterior mean and covariance of a symmetric positive definite system; only the lower triangle is read.

    information : shape (p, p); vector : shape (p,)
    Raises OutsideModelError when the system has no solution.
    """
    factor = _factor(information)
    mean = _mean(factor, vector)
    return mean, _inverse(factor)


def eliminate(information: np.ndarray, vector: np.ndarray, gone: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Normal equations with some parameters integrated out; their rows and columns stay, as zeros.

    gone : indices of the parameters to integrate out
    """
    kept = np.setdiff1d(np.arange(len(vector)), gone)
    factor = _factor(information[np.ix_(gone, gone)])
    cross = information[np.ix_(gone, kept)]
    solved, _ = lapack.dpotrs(factor, np.column_stack([cross, vector[gone]]), lower=1)
    less, right = np.zeros_like(information), np.zeros_like(vector)
    less[np.ix_(kept, kept)] = information[np.ix_(kept, kept)] - cross.T @ solved[:, :-1]
    right[kept] = vector[kept] - cross.T @ solved[:, -1]
    return less, right


def _inverse(factor: np.ndarray) -> np.ndarray:
    """Inverse of the matrix whose lower Cholesky factor this is."""
    if not len(factor):
        return np.zeros((0, 0))
    inverse, _ = lapack.dpotri(factor, lower=1)
    inverse = np.tril(inverse)
    covariance = inverse + inverse.T
    covariance[np.diag_indices_from(covariance)] /= 2
    return np.asarray(covariance)


def _mean(factor: np.ndarray, vector: np.ndarray) -> np.ndarray:
    mean, _ = lapack.dpotrs(factor, vector, lower=1)
    if not np.isfinite(mean).all():
        raise OutsideModelError(
            "the effects of the fit are not finite", "Look for baselines or minutes beyond any sense in the logs."
        )
    return np.asarray(mean)


def _factor(information: np.ndarray) -> np.ndarray:
    factor, failed = lapack.dpotrf(information, lower=1, clean=1)
    if failed:
        raise OutsideModelError(
            f"the normal equations of the fit have no unique solution (parameter {failed})",
            "Look for baselines that are all alike or not finite; this is likely a bug of calib otherwise.",
        )
    return np.asarray(factor)
