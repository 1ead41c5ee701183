"""How much is not known of each row, from the covariance of effects: the diagonal of Z V Z'."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

CHUNK = 4096  # rows at once


@dataclass(frozen=True, eq=False)
class RowEffects:
    """The effects in each row, CHUNK rows at once: columns and values of shape (entries of a row, rows), 0 where a row has fewer."""

    chunks: list[tuple[np.ndarray, np.ndarray]]

    def variance(self, covariance: np.ndarray) -> np.ndarray:
        """Diagonal of Z V Z', shape (n,).

        covariance : shape (p, p), V
        A row has some fifteen effects of hundreds: the pairs of them are looked up one by one, nine times as quick as a
        product with all of V.
        Of logs [log^2].
        """
        found = [_of_chunk(columns, values, covariance) for columns, values in self.chunks]
        return np.asarray(np.maximum(np.concatenate([np.empty(0), *found]), 0.0))


def effects_by_row(row: np.ndarray, column: np.ndarray, value: np.ndarray, n: int) -> RowEffects:
    """Entries of the sparse Z put side by side for each of its ``n`` rows.

    row, column, value : shape (entries,), places [-] and values [-]; entries of one place add up
    """
    order = np.argsort(row, kind="stable")
    row, column, value = row[order], column[order], value[order]
    count = np.bincount(row, minlength=n)
    place = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    chunks = []
    for start in range(0, n, CHUNK):
        size = min(CHUNK, n - start)
        here = slice(*np.searchsorted(row, [start, start + size]))
        columns = np.zeros((int(count[start : start + size].max()), size), np.intp)
        values = np.zeros(columns.shape)
        columns[place[here], row[here] - start] = column[here]
        values[place[here], row[here] - start] = value[here]
        chunks.append((columns, values))
    return RowEffects(chunks)


def row_variance(row: np.ndarray, column: np.ndarray, value: np.ndarray, covariance: np.ndarray, n: int) -> np.ndarray:
    """Diagonal of Z V Z' for entries of the sparse Z, shape (n,) [log^2]; see ``effects_by_row`` and ``RowEffects.variance``."""
    return effects_by_row(row, column, value, n).variance(covariance)


def _of_chunk(columns: np.ndarray, values: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """The same for rows of equally many entries: columns, values : shape (entries of a row, rows)."""
    flat, size = covariance.ravel(order="K"), len(covariance)  # symmetric: either order reads the same, without a copy
    result = np.zeros(columns.shape[1])
    for i in range(len(columns)):
        pairs = values[i:] * flat[columns[i] * size + columns[i:]]
        result += values[i] * (2 * pairs.sum(0) - pairs[0])
    return result
