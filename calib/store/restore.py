"""A backup put in the store's place."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from calib.errors import StoreError, UsageError
from calib.store.backup import BACKUPS, list_backups
from calib.store.migrate import known_version
from calib.store.open_store import STORE_NAME


def restore_store(folder: Path, backup: Path | None = None) -> tuple[Path, Path | None]:
    """Put a backup (the newest if none is named) in the store's place; what was there is kept beside it.

    Returns the backup used, and where the old store is now. Raises StoreError where the backup cannot be read or is of a
    newer version: nothing is changed then.
    """
    if backup is None:
        backups = list_backups(folder)
        if not backups:
            raise UsageError(f"There is no backup in {folder / BACKUPS}.", "Make one first: calib backup.")
        backup = backups[-1]
    if not (backup / "schema.sql").is_file():
        raise UsageError(f"{backup} is no backup: it has no schema.sql.", "Name one of the folders in 'backups'.")
    path, fresh = folder / STORE_NAME, folder / (STORE_NAME + ".restoring")
    fresh.unlink(missing_ok=True)
    read_back(backup, fresh)
    _refuse_newer(fresh, backup)
    old = None
    if path.exists():
        old = path.with_name(f"{path.stem}.replaced-{datetime.now(UTC):%Y%m%dT%H%M%S}.duckdb")
        os.replace(path, old)
        wal = path.with_name(path.name + ".wal")
        if wal.exists():
            os.replace(wal, old.with_name(old.name + ".wal"))
    os.replace(fresh, path)
    return backup, old


def _refuse_newer(fresh: Path, backup: Path) -> None:
    try:
        with duckdb.connect(str(fresh)) as con:
            known_version(con, str(backup))
    except StoreError:
        fresh.unlink()
        raise


def read_back(backup: Path, path: Path) -> None:
    """A new store file from a backup."""
    try:
        with duckdb.connect(str(path)) as con:
            con.execute("SET TimeZone = 'UTC'")
            con.execute("IMPORT DATABASE '" + str(backup).replace("'", "''") + "'")
            con.execute("CHECKPOINT")
    except duckdb.Error as error:
        path.unlink(missing_ok=True)
        raise StoreError(
            f"The backup {backup} cannot be read: {str(error).splitlines()[0]}",
            "Try an older one; nothing was changed.",
        ) from error
