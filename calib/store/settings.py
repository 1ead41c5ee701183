"""Small facts that a store keeps by name."""

from __future__ import annotations

import duckdb


def find_setting(con: duckdb.DuckDBPyConnection, name: str) -> str | None:
    row = con.execute("SELECT value FROM setting WHERE name = ?", [name]).fetchone()
    return str(row[0]) if row else None


def save_setting(con: duckdb.DuckDBPyConnection, name: str, value: str | None) -> None:
    """Put it in the place of what was there; None takes it out."""
    con.execute("DELETE FROM setting WHERE name = ?", [name])
    if value is not None:
        con.execute("INSERT INTO setting VALUES (?, ?)", [name, value])
