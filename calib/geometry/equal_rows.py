"""Which rows are equal: by hash and table, in a few passes over the rows, without a sort."""

from __future__ import annotations

import numpy as np

_MIX = (np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB))
_GOLDEN = 0x9E3779B97F4A7C15
_AT_ONCE = 32_768  # rows hashed together: they stay in the processor's cache


def equal_rows(points: np.ndarray) -> np.ndarray:
    """For each row the number of one row, the same for all that are equal to it; shape (n,).

    points : shape (n, 3). Rows are compared by a 64-bit hash: two different ones of n distinct rows fall together with
        a chance of about n^2 / 2^65, one in ten million for a million.
    """
    return _equal(_hashed(np.ascontiguousarray(points, np.float64) + 0.0))  # + 0.0 turns -0.0 into 0.0


def _equal(keys: np.ndarray) -> np.ndarray:
    """All of one key write into one place of a table and read who was last; other keys there try again elsewhere."""
    found = np.empty(len(keys), np.int32)
    left = np.arange(len(keys), dtype=np.int32)
    trial = 0
    while len(left):
        key = keys[left]
        place = places(key, trial, table_bits(len(left)))
        table = np.empty(1 << table_bits(len(left)), np.int32)
        table[place] = left
        last = table[place]
        same = keys[last] == key
        found[left] = last
        left = left[~same]
        trial += 1
    return found


def table_bits(rows: int) -> int:
    """Bits of a table of at least so many places."""
    return max(int(np.ceil(np.log2(max(rows, 1)))), 4)


def places(keys: np.ndarray, trial: int, bits: int) -> np.ndarray:
    """Place of each key in a table of 2^bits, another at each trial."""
    turned = keys * np.uint64(_GOLDEN * (2 * trial + 1) % 2**64)
    return (turned >> np.uint64(64 - bits)).astype(np.int64)


def _hashed(points: np.ndarray) -> np.ndarray:
    """64-bit hash of each row (the finaliser of the splitmix64 generator, once for each coordinate)."""
    bits = points.view(np.uint64)
    keys = np.empty(len(bits), np.uint64)
    for begin in range(0, len(bits), _AT_ONCE):
        rows = bits[begin : begin + _AT_ONCE]
        key = np.zeros(len(rows), np.uint64)
        for axis in range(3):
            key ^= rows[:, axis]
            key ^= key >> np.uint64(30)
            key *= _MIX[0]
            key ^= key >> np.uint64(27)
            key *= _MIX[1]
            key ^= key >> np.uint64(31)
        keys[begin : begin + _AT_ONCE] = key
    return keys
