"""Times of machine paths, as they were reckoned once."""

from __future__ import annotations

import duckdb

from calib.store.transaction import transaction

PathKey = tuple[str, str]  # name of the file, parameters of the machine


def find_path_times(con: duckdb.DuckDBPyConnection) -> dict[PathKey, tuple[str, float]]:
    """(name, parameters) -> digest of the file, and its printing minutes [min]."""
    rows = con.execute("SELECT name, parameters, sha256, printing_min FROM path_time ORDER BY measured_at").fetchall()
    return {(name, parameters): (sha256, minutes) for name, parameters, sha256, minutes in rows}


def save_path_times(con: duckdb.DuckDBPyConnection, times: dict[PathKey, tuple[str, float]]) -> None:
    """Keep times; one of the same name and parameters is replaced."""
    with transaction(con):
        for (name, parameters), (sha256, minutes) in times.items():
            con.execute("DELETE FROM path_time WHERE name = ? AND parameters = ?", [name, parameters])
            con.execute(
                "INSERT INTO path_time VALUES (?, ?, ?, ?, (now() AT TIME ZONE 'UTC')::TIMESTAMP)",
                [name, sha256, parameters, minutes],
            )
