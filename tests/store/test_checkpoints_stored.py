"""Checkpoints come back from the store to the last bit: of every shape and type, empty ones and missing numbers too."""

from __future__ import annotations

import duckdb
import numpy as np

from calib.store.fits import find_checkpoints, save_checkpoints
from calib.store.migrate import migrate

ARRAYS = {
    "numbers": np.array([[1.5, np.inf], [-0.0, 1e-320]]),
    "missing": np.array([np.nan, 1.0]),
    "none": np.zeros((0, 3)),
    "single": np.array(2.5),
    "short": np.array([1.5], np.float32),
    "every other": np.arange(9.0).reshape(3, 3).T[::2],
    "whole": np.arange(6, dtype=np.int32).reshape(2, 3),
    "no whole ones": np.array([], int),
    "flags": np.array([True, False]),
    "text": np.array("a tree"),
    "texts": np.array(["", "ü\x1f"]),
}


def test_arrays_come_back_to_the_last_bit():
    with duckdb.connect() as con:
        migrate(con)
        save_checkpoints(con, {"gone": np.ones(3)})
        save_checkpoints(con, ARRAYS)
        found = find_checkpoints(con)
    assert set(found) == set(ARRAYS)
    for name, array in ARRAYS.items():
        assert (found[name].dtype, found[name].shape) == (array.dtype, array.shape), name
        assert found[name].tobytes() == array.tobytes(), name
