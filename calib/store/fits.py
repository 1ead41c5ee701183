"""Fits as numbers in tables, and the checkpoints of the last one: each array is one row."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from calib.documents.model import FitDocument, FitFacts
from calib.errors import StoreError
from calib.store.transaction import transaction

BESIDE_THE_MODEL = ("errors", "waits", "failures", "routes")
RENAMED = {"apart": "covariate_effect"}  # columns of fits of older versions


def save_fit(
    con: duckdb.DuckDBPyConnection, tables: dict[str, pd.DataFrame], summary: FitDocument, shop_version: str
) -> int:
    """Store a fit in one transaction; returns its number."""
    with transaction(con):
        row = con.execute("SELECT coalesce(max(fit_id), 0) + 1 FROM fit").fetchone()
        number = int(row[0]) if row else 1
        con.execute(
            "INSERT INTO fit SELECT ?, (now() AT TIME ZONE 'UTC')::TIMESTAMP, ?, ?, "
            "(SELECT coalesce(max(file_id), 0) FROM log_file), ?",
            [number, summary["as_of"], shop_version, json.dumps(summary, default=_plain)],
        )
        for name, table in tables.items():
            for position, column in enumerate(table.columns):
                con.execute(
                    "INSERT INTO fit_column VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    [number, name, position, str(column), *_arrays(table[column])],
                )
    return number


def find_fit(
    con: duckdb.DuckDBPyConnection, as_of: str | None = None
) -> tuple[dict[str, pd.DataFrame], FitFacts] | None:
    """Tables and facts of the last fit (of the last one with that ``as_of``); None where there is none.

    Raises StoreError where a table is missing that is read beside the model's.
    """
    facts = find_facts(con, as_of)
    if facts is None:
        return None
    columns: dict[str, dict[str, Any]] = {}
    rows = con.execute(
        "SELECT table_name, column_name, dtype, numbers, whole, texts FROM fit_column WHERE fit_id = ? "
        "ORDER BY table_name, position",
        [facts["fit_id"]],
    ).fetchnumpy()
    for table, column, dtype, numbers, whole, texts in zip(*rows.values(), strict=True):
        columns.setdefault(table, {})[RENAMED.get(column, column)] = _column(dtype, numbers, whole, texts)
    if missing := [name for name in BESIDE_THE_MODEL if name not in columns]:
        raise StoreError(f"The stored fit lacks {', '.join(missing)}: it is of an older version.", "Run: calib fit")
    return {name: pd.DataFrame(parts) for name, parts in columns.items()}, facts


def find_facts(con: duckdb.DuckDBPyConnection, as_of: str | None = None) -> FitFacts | None:
    """What the last fit (the last one with that ``as_of``) says of itself; None where there is none."""
    where, values = ("WHERE as_of = ?", [as_of]) if as_of else ("", [])
    row = con.execute(
        "SELECT fit_id, as_of, shop_version, summary, (SELECT coalesce(max(file_id), 0) FROM log_file "
        "WHERE rows_new + rows_corrected + coalesce(rows_used_again, 0) > 0) > last_file_id "
        "OR coalesce(fitted_at < (SELECT max(changed) FROM (SELECT taken_back_at AS changed FROM log_import UNION ALL "
        "SELECT verdict_at FROM review UNION ALL SELECT answered_at FROM stage_question)), false), fitted_at "
        f"FROM fit {where} ORDER BY fit_id DESC LIMIT 1",
        values,
    ).fetchone()
    if row is None:
        return None
    summary: FitDocument = json.loads(row[3])
    return {
        **summary,
        "fit_id": row[0],
        "as_of": row[1],
        "shop_version": row[2],
        "logs_since": bool(row[4]),
        "fitted_at": row[5],
    }


def find_summary(con: duckdb.DuckDBPyConnection) -> FitDocument | None:
    """The document of the last fit, without its numbers; None where none was made."""
    row = con.execute("SELECT summary FROM fit ORDER BY fit_id DESC LIMIT 1").fetchone()
    return json.loads(row[0]) if row else None


def _arrays(column: pd.Series) -> tuple[str, Any, Any, Any]:
    """Kind of column, and its values in the one array that holds them without loss."""
    if pd.api.types.is_datetime64_any_dtype(column):
        stamps = pd.to_datetime(column, utc=True).dt.as_unit("us")
        return "time", None, _or_none(stamps.astype("int64"), stamps.isna()), None
    if pd.api.types.is_bool_dtype(column):
        return "bool", None, column.astype(int).tolist(), None
    if pd.api.types.is_integer_dtype(column):
        return "int", None, column.astype("int64").tolist(), None
    if pd.api.types.is_float_dtype(column):
        return "float", column.to_numpy(float).tolist(), None, None
    return "text", None, None, _or_none(column.to_numpy(object), column.isna(), str)


def _or_none(values: Any, missing: pd.Series, kind: Callable[[Any], Any] = int) -> list[Any]:
    return [None if gone else kind(value) for value, gone in zip(values, missing.to_numpy(), strict=True)]


def _column(dtype: str, numbers: Any, whole: Any, texts: Any) -> Any:
    match dtype:
        case "time":
            return pd.to_datetime(pd.Series(_listed(whole), dtype="Int64").astype("float64"), unit="us", utc=True)
        case "bool":
            return np.asarray(_listed(whole)).astype(bool)
        case "int":
            return np.asarray(_listed(whole), dtype="int64")
        case "float":
            return np.asarray(_listed(numbers), dtype=float)
        case _:
            return pd.Series(_listed(texts), dtype=object)


def _listed(values: Any) -> list[Any]:
    filled = np.ma.filled(values, None) if np.ma.isMaskedArray(values) and values.dtype == object else values
    return list(filled)


def _plain(value: Any) -> Any:
    return value.tolist() if hasattr(value, "tolist") else str(value)


def save_checkpoints(con: duckdb.DuckDBPyConnection, arrays: dict[str, np.ndarray]) -> None:
    """Put these in the place of those before, in one transaction.

    arrays : name -> numbers, whole numbers, truths or texts, of any shape
    """
    with transaction(con):
        con.execute("DELETE FROM fit_checkpoint")
        for column in ("numbers", "whole", "texts"):
            _save(con, {name: array for name, array in arrays.items() if _column_of(array.dtype) == column}, column)


def _save(con: duckdb.DuckDBPyConnection, arrays: dict[str, np.ndarray], column: str) -> None:
    """Arrays whose values go into one column, each as it is: in a frame with a row for each value they took half a gigabyte."""
    if not arrays:
        return
    rows = pd.DataFrame({"name": list(arrays), "dtype": [array.dtype.str for array in arrays.values()]})
    rows["shape"] = pd.Series([list(array.shape) for array in arrays.values()], dtype=object)
    rows["value"] = pd.Series([_stored(array) for array in arrays.values()], dtype=object)
    con.register("array_rows", rows)
    con.execute(
        f"INSERT INTO fit_checkpoint (name, dtype, shape, {column}) SELECT name, dtype, shape, value FROM array_rows"
    )
    con.unregister("array_rows")


def find_checkpoints(con: duckdb.DuckDBPyConnection) -> dict[str, np.ndarray]:
    """What ``save_checkpoints`` stored, to the last bit: name -> array of the shape that it had."""
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
    """The one that is there; what is not a number is stored as missing."""
    return next(np.ma.filled(value, np.nan) for value in values if value is not None and value is not np.ma.masked)
