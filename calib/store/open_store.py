"""Open the shop's one DuckDB file: UTC, migrated, and in plain words when that cannot be."""

from __future__ import annotations

import re
import shutil
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

import duckdb

from calib.errors import DamagedStoreError, StoreError
from calib.logs.words import library_says
from calib.scratch import scratch_folder
from calib.store.backup import BACKUPS, copy_before, list_backups
from calib.store.damage import is_damage, is_held
from calib.store.migrate import known_version, migrate, newest_version
from calib.store.one_writer import LOCK_NAME, hold_writing, mark_made, was_made

STORE_NAME = "shop.duckdb"
WAIT_S = 10.0


@contextmanager
def open_store(
    folder: Path, create: bool = False, read_only: bool = False, wait_s: float = WAIT_S
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Connection to ``shop.duckdb`` in the shop's folder; closed afterwards.

    create : make it when it is not there
    wait_s : how long to wait for another program that holds it [s]

    Raises StoreError when it is missing, gone, held, damaged, of a newer version, or in a folder that cannot be written.
    """
    path = Path(folder) / STORE_NAME
    _check_there(path, create)
    with plain_words(path), ExitStack() as until_done:
        if not read_only:
            until_done.enter_context(hold_writing(path.parent, wait_s))
        connection = _connect_current(path, read_only, wait_s)
        until_done.callback(connection.close)
        mark_made(path.parent)
        yield connection


@contextmanager
def open_trial(folder: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """Connection to a copy of the store, or to an empty one where there is none; nothing in the shop's folder is touched.

    Raises StoreError as ``open_store`` does, and where there is no room for the copy.
    """
    path = Path(folder) / STORE_NAME
    with scratch_folder() as work:
        refuse_gone(Path(folder))
        if path.exists():
            with plain_words(path), hold_writing(path.parent, WAIT_S, leave_no_mark=True):
                _copy_quiet(path, work)
        with open_store(work, create=True) as connection:
            yield connection


def _copy_quiet(path: Path, work: Path) -> None:
    """Copy the store, and its log of changes where a program ended early, while nobody can write to it."""
    reader = _connect(path, True, WAIT_S)
    try:
        for part in (path, path.with_name(path.name + ".wal")):
            if part.exists():
                shutil.copyfile(part, work / part.name)
    except OSError as error:
        raise StoreError(f"{path.name} cannot be copied for a trial: {error.strerror}.", "Free some space.") from error
    finally:
        reader.close()


@contextmanager
def plain_words(path: Path) -> Iterator[None]:
    """Raises StoreError, in our words, for what the engine says of the store at ``path``; KeyboardInterrupt for Ctrl-C."""
    try:
        yield
    except duckdb.Error as error:
        if isinstance(error, duckdb.InterruptException):
            raise KeyboardInterrupt from error
        if is_damage(error):
            raise damaged(path, error, "is damaged") from error
        if not isinstance(error, duckdb.IOException | duckdb.TransactionException):
            raise
        if isinstance(error, duckdb.TransactionException) and "write" not in str(error):
            raise
        raise StoreError(
            f"{path.name} could not be read or written: {library_says(error)}.",
            "Free some space on that disk and try again; what was stored before is still there.",
        ) from error
    except RuntimeError as error:
        if "interrupted" not in str(error).lower():
            raise
        raise KeyboardInterrupt from error  # the engine turns Ctrl-C into an error of its own


def _check_there(path: Path, create: bool) -> None:
    refuse_gone(path.parent)
    if create:
        return
    if not path.parent.is_dir():
        raise StoreError(f"There is no folder {path.parent}.", "Name the shop's folder with --shop.")
    if not path.exists() and not (path.parent / "shop.toml").exists():
        raise StoreError(
            f"{path.parent} is no shop: it holds neither {path.name} nor shop.toml.",
            "Make one with 'calib init DIR', or name the shop's folder with --shop.",
        )


def refuse_gone(folder: Path) -> None:
    """StoreError where there was a store, and is none: an empty one in its place would pass for a sound one."""
    path = folder / STORE_NAME
    if path.exists() or not (was_made(folder) or path.with_name(path.name + ".wal").exists() or list_backups(folder)):
        return
    backups = list_backups(folder)
    remedy = f"calib restore puts back the backup {backups[-1].name}" if backups else "there is no backup of it here"
    raise DamagedStoreError(
        f"{path} was there and is gone.",
        f"Put it back where it was; {remedy}. To begin with an empty one, remove {LOCK_NAME} and the folder {BACKUPS} there.",
    )


def _connect_current(path: Path, read_only: bool, wait_s: float) -> duckdb.DuckDBPyConnection:
    """Connection to a file of the newest version; a new or older one is made so first."""
    if path.exists():
        with ExitStack() as otherwise:
            connection = _connect(path, read_only, wait_s)
            otherwise.callback(connection.close)
            if known_version(connection, path.name) == newest_version():
                otherwise.pop_all()
                return connection
    _make_current(path, wait_s)
    return _connect(path, read_only, wait_s)


def _make_current(path: Path, wait_s: float) -> None:
    """Bring the file to the newest version; a copy of an older one is made first."""
    with hold_writing(path.parent, wait_s), closing(_connect(path, False, wait_s)) as writer:
        if 0 < known_version(writer, path.name) < newest_version():
            copy_before(writer, path.parent, "migration")
        migrate(writer)


def _connect(path: Path, read_only: bool, wait_s: float) -> duckdb.DuckDBPyConnection:
    until = time.monotonic() + wait_s
    while True:
        before = _identity(path)
        try:
            connection = duckdb.connect(str(path), read_only=read_only)
        except duckdb.IOException as error:
            if not is_held(error) or time.monotonic() > until:
                raise in_words(path, error) from error
            time.sleep(0.1)
        except duckdb.Error as error:
            if _is_open_otherwise(error) and time.monotonic() < until:
                time.sleep(0.01)  # a thread of this program reads while another one writes: each is soon done
            elif before == _identity(path):
                raise in_words(path, error) from error
        else:
            if before in (None, _identity(path)):
                _set_up(connection)
                return connection
            connection.close()  # a restore put another file in its place meanwhile


def _is_open_otherwise(error: duckdb.Error) -> bool:
    """Whether this program has the store open for reading where it is to be written, or the other way round."""
    return isinstance(error, duckdb.ConnectionException) and "different configuration" in str(error)


def _identity(path: Path) -> tuple[int, int] | None:
    return (status.st_dev, status.st_ino) if path.exists() and (status := path.stat()) else None


def _set_up(connection: duckdb.DuckDBPyConnection) -> None:
    """UTC inside; nothing is fetched from a network; no progress drawn by the engine."""
    connection.execute("SET TimeZone = 'UTC'")
    connection.execute("SET autoinstall_known_extensions = false")
    connection.execute("SET autoload_known_extensions = false")
    connection.execute("SET enable_progress_bar = false")


def in_words(path: Path, error: duckdb.Error) -> StoreError:
    text = str(error)
    if is_held(error):
        holder = re.search(r"PID (\d+)", text)
        who = f" (process {holder.group(1)})" if holder else ""
        return StoreError(
            f"{path.name} is open in another program{who}.", "Close it there and try again; nothing was changed."
        )
    if "permission denied" in text.lower() or "read-only" in text.lower():
        return StoreError(
            f"{path.name} cannot be written in {path.parent}.", "Allow writing there; nothing was changed."
        )
    return damaged(path, error, "cannot be opened as a store")


def damaged(path: Path, error: duckdb.Error, what: str) -> StoreError:
    backups = list_backups(path.parent)
    back = (
        f"Put back the backup {backups[-1].name} (calib restore)" if backups else "There is no backup for calib restore"
    )
    kind = DamagedStoreError if is_damage(error) else StoreError
    return kind(
        f"{path.name} {what}: {library_says(error)}.",
        f"{back}, or write out what can still be read (calib export DIR); the logs can be imported again at any time.",
    )
