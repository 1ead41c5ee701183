"""Solving the normal equations."""

from __future__ import annotations

import numpy as np
from scipy.linalg import lapack

from calib.errors import OutsideModelError


def solve_and_invert(information: np.ndarray, vector: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Posterior mean and covariance of a symmetric positive definite system; only the lower triangle is read.

    information : shape (p, p); vector : shape (p,)
    Raises OutsideModelError when the system has no solution.
    """
    factor = _factor(information)
    mean, _ = lapack.dpotrs(factor, vector, lower=1)
    if not np.isfinite(mean).all():
        raise OutsideModelError(
            "the effects of the fit are not finite", "Look for baselines or minutes beyond any sense in the logs."
        )
    inverse, _ = lapack.dpotri(factor, lower=1, overwrite_c=1)
    inverse = np.tril(inverse)
    covariance = inverse + inverse.T
    covariance[np.diag_indices_from(covariance)] /= 2
    return mean, covariance


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


def _factor(information: np.ndarray) -> np.ndarray:
    factor, failed = lapack.dpotrf(information, lower=1, clean=1)
    if failed:
        raise OutsideModelError(
            f"the normal equations of the fit have no unique solution (parameter {failed})",
            "Look for baselines that are all alike or not finite; this is likely a bug of calib otherwise.",
        )
    return np.asarray(factor)
