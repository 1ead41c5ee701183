"""Where in which file a run was logged."""

from __future__ import annotations

from collections.abc import Iterable

import duckdb

from calib.store.tables import keyed


def find_places(con: duckdb.DuckDBPyConnection, run_keys: Iterable[str]) -> dict[str, tuple[str, int]]:
    """File name and line of each run that is still in the store, by its key."""
    rows = con.execute(
        f"SELECT s.row_key, f.name, s.line FROM {keyed('stages')} s JOIN log_file f ON f.file_id = s.file_id "
        "WHERE s.row_key IN (SELECT unnest(?::VARCHAR[]))",
        [list(run_keys)],
    ).fetchall()
    return {key: (name, line) for key, name, line in rows}
