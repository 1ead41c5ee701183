"""Events that may explain a change."""

from __future__ import annotations

import duckdb
import pandas as pd


def find_events(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """at (UTC), machine, station, what, note; oldest first."""
    frame = con.execute('SELECT "at", machine, station, what, note FROM event ORDER BY "at"').df()
    frame["at"] = pd.to_datetime(frame["at"], utc=True)
    return frame
