"""Systems of effects of which many never meet in a row: blocks along the diagonal, and a border that all of them share.

A_1          B_1         With G_i = A_i^-1 B_i and S = C - sum B_i' G_i (the Schur complement of the blocks; Golub and Van
     A_2     B_2         Loan 2013, 'Matrix computations', 4th ed., sec. 3.2.6), the inverse is S^-1 for the border, -G_i S^-1
          .. ..          beside it, and A_i^-1 + G_i S^-1 G_i' within a block: as exact as the whole, and with three processes
B_1' B_2' .. C           of like size about a ninth of its work.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import lapack

from calib.errors import OutsideModelError

SHARED, UNSEEN = -1, -2  # what stands for the block of a parameter of several, and of none so far
MOST_SHARED = 0.4  # of all parameters: with a larger border blocks save nothing
MOST_BLOCKS = 32  # small ones beyond are one


def seen_in(block: np.ndarray, column: np.ndarray, code: np.ndarray, size: int) -> np.ndarray:
    """Blocks of ``size`` parameters after rows more: the code that all rows of a parameter have, or SHARED.

    block : shape (at most size,), from before; column, code : shape (entries,), a parameter of a row, and the row's code, 0 or more
    Codes have no unit [-]. Returns shape (size,).
    """
    block = np.append(block, np.full(size - len(block), UNSEEN))
    low, high = np.full(size, np.iinfo(np.int64).max), np.full(size, UNSEEN)
    np.minimum.at(low, column, code)
    np.maximum.at(high, column, code)
    fresh = np.where(low == high, high, SHARED)
    return np.where(high == UNSEEN, block, np.where((block == UNSEEN) | (block == fresh), fresh, SHARED))


@dataclass(frozen=True, eq=False)
class Arrowhead:
    """A symmetric system with its parameters put in the order of their blocks, the border last.

    matrix : shape (p, p); order : shape (p,), parameter at each place; bounds : where blocks begin, and the border
    """

    matrix: np.ndarray
    order: np.ndarray
    bounds: np.ndarray

    @property
    def blocks(self) -> list[slice]:
        return [slice(*ends) for ends in zip(self.bounds[:-1].tolist(), self.bounds[1:].tolist(), strict=True)]


def arrowhead(information: np.ndarray, block: np.ndarray) -> Arrowhead | None:
    """The system by the blocks of its parameters, shape (p,); None where it has none: blocks meet after all, or share too much.

    information : shape (p, p) [1/log^2]; block : shape (p,), codes [-]
    """
    last = np.iinfo(np.int64).max
    key = np.where(block == SHARED, last, np.clip(block, 0, MOST_BLOCKS))
    order = np.argsort(key, kind="stable")
    codes, start = np.unique(key[order], return_index=True)
    shared = int((block == SHARED).sum())
    if shared > MOST_SHARED * len(block) or len(codes) - bool(shared) < 2:
        return None
    matrix = reordered(information, order)
    found = Arrowhead(matrix, order, np.append(start[codes != last], len(block) - shared))
    if any(matrix[here, : here.start].any() for here in found.blocks):
        return None
    return found


def solve_arrowhead(system: Arrowhead, vector: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Posterior mean and covariance, shapes (p,) [log] and (p, p) [log^2].

    vector : shape (p,) [1/log]
    Raises OutsideModelError when the system has no solution.
    """
    p, edge = len(vector), int(system.bounds[-1])
    right = vector[system.order]
    factors, solved = [], np.empty((edge, p - edge + 1))
    for here in system.blocks:
        factors.append(factor_of(system.matrix[here, here]))
        beside = np.column_stack([system.matrix[here, edge:], right[here]])
        solved[here] = lapack.dpotrs(factors[-1], beside, lower=1)[0]
    left = system.matrix[edge:, :edge] @ solved
    border = factor_of(system.matrix[edge:, edge:] - left[:, :-1])
    mean = np.empty(p)
    mean[edge:] = lapack.dpotrs(border, right[edge:] - left[:, -1], lower=1)[0] if p > edge else 0.0
    mean[:edge] = solved[:, -1] - solved[:, :-1] @ mean[edge:]
    if not np.isfinite(mean).all():
        raise OutsideModelError(
            "the effects of the fit are not finite", "Look for baselines or minutes beyond any sense in the logs."
        )
    covariance, place = _covariance(system, factors, inverse_of(border), solved[:, :-1]), np.argsort(system.order)
    return mean[place], reordered(covariance, place)


def reordered(matrix: np.ndarray, order: np.ndarray) -> np.ndarray:
    """Rows and columns of a matrix in this order: taken one after the other, in a third of the time that both at once take.

    matrix : shape (p, p) [any]; order : shape (k,), places in it [-]. Returns shape (k, k).
    """
    return matrix.take(order, 1).take(order, 0)


def _covariance(system: Arrowhead, factors: list[np.ndarray], border: np.ndarray, solved: np.ndarray) -> np.ndarray:
    """Covariance in the order of the blocks."""
    p, edge = len(system.order), int(system.bounds[-1])
    across = solved @ border
    result = np.empty((p, p))
    result[:edge, :edge] = across @ solved.T
    result[:edge, edge:], result[edge:, :edge], result[edge:, edge:] = -across, -across.T, border
    for here, factor in zip(system.blocks, factors, strict=True):
        result[here, here] += inverse_of(factor)
    return result


def inverse_of(factor: np.ndarray) -> np.ndarray:
    """Inverse of the matrix whose lower Cholesky factor this is, zeros above its diagonal.

    factor : shape (p, p) [1/log]; returns shape (p, p) [log^2].
    """
    if not len(factor):
        return np.zeros((0, 0))
    inverse, _ = lapack.dpotri(factor, lower=1)
    covariance = inverse + inverse.T
    covariance[np.diag_indices_from(covariance)] /= 2
    return np.asarray(covariance)


def factor_of(information: np.ndarray) -> np.ndarray:
    """Lower Cholesky factor of a symmetric matrix. Raises OutsideModelError where it has none.

    information : shape (p, p) [1/log^2]; returns shape (p, p) [1/log].
    """
    if not len(information):
        return np.zeros((0, 0))
    factor, failed = lapack.dpotrf(information, lower=1, clean=1)
    if failed:
        raise OutsideModelError(
            f"the normal equations of the fit have no unique solution (parameter {failed})",
            "Look for baselines that are all alike or not finite; this is likely a bug of calib otherwise.",
        )
    return np.asarray(factor)
