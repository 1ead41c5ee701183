"""A backup put in the store's place."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from calib.errors import StoreError, UsageError
from calib.store.backup import BACKUPS, list_backups
from calib.store.damage import is_held
from calib.store.migrate import known_version
from calib.store.one_writer import hold_writing
from calib.store.open_store import STORE_NAME, WAIT_S, in_words, plain_words


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
    path = folder / STORE_NAME
    fresh = path.with_name(path.name + ".restoring")
    with plain_words(path), hold_writing(folder, WAIT_S, alone=True), only_for_now(fresh, wal_of(fresh)):
        read_back(backup, fresh)
        with duckdb.connect(str(fresh)) as con:
            known_version(con, str(backup))
        old = (
            path.with_name(f"{path.stem}.replaced-{datetime.now(UTC):%Y%m%dT%H%M%S%f}.duckdb")
            if path.exists()
            else None
        )
        put_in_place(fresh, path, keep=old)
    return backup, old


@contextmanager
def only_for_now(*paths: Path) -> Iterator[None]:
    """Files and folders are not there before and not afterwards; a kill leaves them to the next who makes them."""

    def gone() -> None:
        for path in paths:
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)

    gone()
    try:
        yield
    finally:
        gone()


def put_in_place(fresh: Path, path: Path, keep: Path | None = None) -> None:
    """Put a whole store in the place of the shop's, which is there at every instant: the old one or the new one.

    keep : another name for the old one, with its log of changes where the engine can no longer read that into it

    Raises StoreError where the folder cannot be written.
    """
    try:
        if path.exists():
            _settle(path)
        if path.exists() and keep:
            _link(path, keep)
        if wal_of(path).exists():  # of a store that is damaged or gone: it would not fit the new one
            os.replace(wal_of(path), wal_of(keep or path.with_name(f"{path.stem}.replaced-log.duckdb")))
        os.replace(fresh, path)
    except OSError as error:
        raise StoreError(
            f"{path.name} cannot be written in {path.parent}: {error.strerror}.",
            "Allow writing there; nothing was changed.",
        ) from error


def _settle(path: Path) -> None:
    """Read a log of changes, which a program that was ended left, into the store. One that is damaged stays as it is.

    Raises StoreError where another program, which does not ask for the shop's lock, has the store open.
    """
    try:
        with duckdb.connect(str(path)) as con:
            con.execute("CHECKPOINT")
    except duckdb.Error as error:
        if isinstance(error, duckdb.InterruptException):
            raise
        if is_held(error):
            raise in_words(path, error) from error


def _link(path: Path, name: Path) -> None:
    try:
        os.link(path, name)
    except OSError:  # a file system without second names
        shutil.copyfile(path, name)


def wal_of(path: Path) -> Path:
    """The engine's log of changes beside a store."""
    return path.with_name(path.name + ".wal")


def read_back(backup: Path, path: Path) -> None:
    """A new store file from a backup. Raises StoreError where that cannot be read."""
    try:
        with duckdb.connect(str(path)) as con:
            con.execute("SET TimeZone = 'UTC'")
            con.execute("IMPORT DATABASE '" + str(backup).replace("'", "''") + "'")
            con.execute("CHECKPOINT")
    except duckdb.InterruptException:
        raise
    except duckdb.Error as error:
        path.unlink(missing_ok=True)
        raise StoreError(
            f"The backup {backup} cannot be read: {str(error).splitlines()[0]}",
            "Try an older one; nothing was changed.",
        ) from error
