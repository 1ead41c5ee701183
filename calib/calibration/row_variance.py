"""How much is not known of each row, from the covariance of effects: the diagonal of Z V Z'."""

from __future__ import annotations

import numpy as np

CHUNK = 4096  # rows at once


def row_variance(row: np.ndarray, column: np.ndarray, value: np.ndarray, covariance: np.ndarray, n: int) -> np.ndarray:
    """Diagonal of Z V Z', shape (n,).

    row, column, value : shape (entries,), of the sparse Z; entries of one place add up
    covariance : shape (p, p), V

    A row has some fifteen effects of hundreds: the pairs of them are looked up one by one, nine times as quick as a
    product with all of V.
    Of logs [log^2].
    """
    order = np.argsort(row, kind="stable")
    row, column, value = row[order], column[order], value[order]
    count = np.bincount(row, minlength=n)
    place = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    result = np.empty(n)
    for start in range(0, n, CHUNK):
        size = min(CHUNK, n - start)
        here = slice(*np.searchsorted(row, [start, start + size]))
        columns = np.zeros((int(count[start : start + size].max()), size), np.intp)
        values = np.zeros(columns.shape)
        columns[place[here], row[here] - start] = column[here]
        values[place[here], row[here] - start] = value[here]
        result[start : start + size] = _of_chunk(columns, values, covariance)
    return np.maximum(result, 0.0)


def _of_chunk(columns: np.ndarray, values: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """The same for rows of equally many entries: columns, values : shape (entries of a row, rows)."""
    flat, size = covariance.ravel(order="K"), len(covariance)  # symmetric: either order reads the same, without a copy
    result = np.zeros(columns.shape[1])
    for i in range(len(columns)):
        pairs = values[i:] * flat[columns[i] * size + columns[i:]]
        result += values[i] * (2 * pairs.sum(0) - pairs[0])
    return result
