"""Applies ``logs_schema/*.sql`` in order, each in one transaction together with its record."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import duckdb

from calib.errors import StoreError
from calib.locate import shipped_folder
from calib.store.transaction import transaction

RECORD = """
CREATE TABLE schema_version (
    version INTEGER NOT NULL,
    file VARCHAR NOT NULL,
    applied_at TIMESTAMP NOT NULL
);
COMMENT ON TABLE schema_version IS 'Migrations that were applied, one row each';
COMMENT ON COLUMN schema_version.version IS 'number of the migration';
COMMENT ON COLUMN schema_version.file IS 'its file';
COMMENT ON COLUMN schema_version.applied_at IS 'when it was applied [UTC]';
"""


@cache
def migrations() -> tuple[tuple[int, Path], ...]:
    """Number and file of each migration, in order."""
    files = sorted(shipped_folder("logs_schema").glob("[0-9][0-9][0-9]_*.sql"))
    return tuple((int(path.name[:3]), path) for path in files)


def newest_version() -> int:
    return migrations()[-1][0]


def version_of(connection: duckdb.DuckDBPyConnection) -> int:
    """Number of the last migration that was applied; 0 for an empty file. Not within a transaction: an empty file would end it."""
    try:  # a question to the catalogue takes ten times as long, at each opening of the store
        row = connection.execute("SELECT coalesce(max(version), 0) FROM schema_version").fetchone()
    except duckdb.CatalogException:
        return 0
    return int(row[0]) if row else 0


def known_version(connection: duckdb.DuckDBPyConnection, name: str) -> int:
    """As ``version_of``. Raises StoreError where a newer program wrote the file, or backup, of that name."""
    version = version_of(connection)
    if version > newest_version():
        raise StoreError(
            f"{name} is of version {version}; this calib knows versions up to {newest_version()}.",
            "Use the newer calib that wrote it; nothing was changed.",
        )
    return version


def migrate(connection: duckdb.DuckDBPyConnection, up_to: int | None = None) -> None:
    """Apply what is missing. Several statements of one ``execute`` are not atomic, so each file has a transaction."""
    have = version_of(connection)
    for version, path in migrations():
        if have < version <= (up_to or version):
            _apply(connection, version, path, is_first=not have)
            have = version


def _apply(connection: duckdb.DuckDBPyConnection, version: int, path: Path, is_first: bool) -> None:
    with transaction(connection):
        if is_first:
            connection.execute("DROP TABLE IF EXISTS schema_version")
            connection.execute(RECORD)
        connection.execute(path.read_text(encoding="utf-8"))
        connection.execute(
            "INSERT INTO schema_version VALUES (?, ?, (now() AT TIME ZONE 'UTC')::TIMESTAMP)", [version, path.name]
        )
