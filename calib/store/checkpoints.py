"""Checkpoints of the last fit as arrays in a table: each array is one row."""

from __future__ import annotations

from typing import Any

import duckdb
import numpy as np
import pandas as pd

from calib.store.transaction import transaction


def save_checkpoints(con: duckdb.DuckDBPyConnection, arrays: dict[str, np.ndarray]) -> None:
    """Put these in the place of those before, in one transaction."""
    with transaction(con):
        con.execute("DELETE FROM fit_checkpoint")
        for column in ("numbers", "whole", "texts"):
            _save(con, {name: one for name, one in arrays.items() if _column_of(one.dtype) == column}, column)


def _save(con: duckdb.DuckDBPyConnection, arrays: dict[str, np.ndarray], column: str) -> None:
    """Arrays whose values go into one column, all at once: one by one they took ten times as long."""
    if not arrays:
        return
    about = pd.DataFrame(
        {
            "number": range(len(arrays)),
            "name": list(arrays),
            "dtype": [one.dtype.str for one in arrays.values()],
            "shape": [list(one.shape) for one in arrays.values()],
        }
    )
    values = pd.DataFrame(
        {
            "number": np.repeat(np.arange(len(arrays)), [one.size for one in arrays.values()]),
            "value": np.concatenate([_stored(one) for one in arrays.values()]),
        }
    )
    values["place"] = np.arange(len(values))
    con.register("array_about", about)
    con.register("array_values", values)
    con.execute(
        f"INSERT INTO fit_checkpoint (name, dtype, shape, {column}) "
        "SELECT name, dtype, shape, coalesce(value, []) FROM array_about LEFT JOIN "
        "(SELECT number, list(value ORDER BY place) AS value FROM array_values GROUP BY number) USING (number)"
    )
    con.unregister("array_about")
    con.unregister("array_values")


def find_checkpoints(con: duckdb.DuckDBPyConnection) -> dict[str, np.ndarray]:
    """What ``save_checkpoints`` stored, to the last bit."""
    rows = con.execute("SELECT name, dtype, shape, numbers, whole, texts FROM fit_checkpoint").fetchnumpy()
    return {
        name: np.array(_given(numbers, whole, texts)).astype(dtype).reshape([int(size) for size in shape])
        for name, dtype, shape, numbers, whole, texts in zip(*rows.values(), strict=True)
    }


def _column_of(dtype: np.dtype[Any]) -> str:
    return {"f": "numbers", "i": "whole", "b": "whole", "U": "texts"}[dtype.kind]


def _stored(array: np.ndarray) -> Any:
    flat = array.ravel()
    return flat.astype(np.int64) if flat.dtype.kind == "b" else flat.astype(object) if flat.dtype.kind == "U" else flat


def _given(*values: Any) -> Any:
    """The one that is there."""
    return next(np.ma.getdata(one) for one in values if one is not None and one is not np.ma.masked)
