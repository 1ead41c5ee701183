"""All of it or nothing: one transaction around several statements."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import duckdb


@contextmanager
def transaction(con: duckdb.DuckDBPyConnection, keep: bool = True) -> Iterator[None]:
    """Commit at the end; take everything back where anything goes wrong, or where it is a trial (not ``keep``)."""
    con.execute("BEGIN TRANSACTION")
    try:
        yield
        if keep:
            con.execute("COMMIT")
    except BaseException:
        _roll_back(con)
        raise
    if not keep:
        _roll_back(con)


def _roll_back(con: duckdb.DuckDBPyConnection) -> None:
    try:
        con.execute("ROLLBACK")
    except duckdb.Error:
        return  # the engine has rolled back already, or is gone; the file is as it was either way
