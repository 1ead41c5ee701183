"""Texts of a table changed by a function: each distinct one is looked at once."""

from __future__ import annotations

from collections.abc import Callable

import duckdb

from calib.store.tables import quoted


def change_column(
    con: duckdb.DuckDBPyConnection, table: str, column: str, change: Callable[[str], str], where: str = "true"
) -> int:
    """Change the texts, or lists of texts, of a column; each distinct one is looked at once. Returns how many cells changed."""
    name = quoted(column)
    texts = con.execute(f"SELECT DISTINCT {name} FROM {table} WHERE {name} IS NOT NULL AND {where}").fetchall()
    pairs = [(old, _changed(old, change)) for (old,) in texts]
    pairs = [(old, new) for old, new in pairs if old != new]
    if not pairs:
        return 0
    kind = "VARCHAR[][]" if isinstance(pairs[0][0], list) else "VARCHAR[]"
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE changed AS SELECT unnest($olds::{kind}) AS old, unnest($news::{kind}) AS new",
        {"olds": [old for old, _ in pairs], "news": [new for _, new in pairs]},
    )
    row = con.execute(
        f"UPDATE {table} SET {name} = changed.new FROM changed WHERE {name} = changed.old AND {where}"
    ).fetchone()
    return int(row[0]) if row else 0


def _changed(old: str | list[str | None], change: Callable[[str], str]) -> str | list[str | None]:
    return [text and change(text) for text in old] if isinstance(old, list) else change(old)
