"""What the engine says where a store's bytes are not those that were written, as distinct from a full disk and from faults."""

from __future__ import annotations

import re
from pathlib import Path

import duckdb

_SAID = re.compile(
    r"corrupt|checksum|could not read|not enough bytes|truncat|not a valid duckdb|deserializ|magic bytes|"
    r"does not match database file|metadata pointer|end of file|has been invalidated|failed to (read|load)",
    re.IGNORECASE,
)
_HEADERS = 3 * 4096  # bytes before the first block, as the engine's documentation of its storage says


def is_held(error: duckdb.Error) -> bool:
    """Whether another program has the store open."""
    return bool(re.search(r"\block\b", str(error), re.IGNORECASE))


def is_damage(error: BaseException) -> bool:
    return isinstance(error, duckdb.Error) and (
        isinstance(error, duckdb.FatalException | duckdb.SerializationException) or bool(_SAID.search(str(error)))
    )


def find_damage(con: duckdb.DuckDBPyConnection, path: Path) -> list[str]:
    """Read every row of every table, by which the engine compares the checksum of every block that they lie in.

    Returns a sentence for each table that cannot be read, and one where the file is shorter than its blocks are.
    """
    faults = []
    size = con.execute("SELECT total_blocks * block_size FROM pragma_database_size()").fetchone()
    if size and path.stat().st_size < size[0] + _HEADERS:
        faults.append(f"{path.name} is whole: {size[0] + _HEADERS - path.stat().st_size} bytes are missing")
    tables = con.execute("SELECT table_name FROM duckdb_tables() WHERE NOT internal AND NOT temporary").fetchall()
    return faults + [f"every row of {name} can be read" for (name,) in tables if not _reads(con, name)]


def _reads(con: duckdb.DuckDBPyConnection, table: str) -> bool:
    try:
        con.execute(f'SELECT bit_xor(hash(t)) FROM "{table}" t').fetchall()
    except duckdb.Error as error:
        if not is_damage(error):
            raise
        return False
    return True
