"""Looking after the store: copies of it, its check, everything out, the last import taken back, a person forgotten."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from calib.documents.logs import UndoDocument
from calib.documents.store import BackupDocument, CheckDocument, ExportDocument, ForgetDocument, RestoreDocument
from calib.errors import StoreError, UsageError
from calib.store.backup import backup_store, copy_before
from calib.store.check import BACK, check_store
from calib.store.export import export_all
from calib.store.forget import forget_person
from calib.store.open_store import STORE_NAME, open_store, refuse_gone
from calib.store.restore import restore_store
from calib.store.undo import undo_last


def make_backup(folder: Path) -> BackupDocument:
    """Copy the store beside it."""
    with _kept(folder) as store:
        return {"backup": str(backup_store(store, folder))}


def put_back(folder: Path, backup: Path | None) -> RestoreDocument:
    """Put a copy in the store's place; the store that was there is kept."""
    used, kept = restore_store(folder, backup)
    return {"backup": str(used), "kept": str(kept) if kept else None}


def check_shop(folder: Path, mend: bool = False) -> CheckDocument:
    """What does not hold of the store."""
    with _kept(folder, read_only=not mend) as store:
        before = check_store(store, path=folder / STORE_NAME)
        problems = check_store(store, mend=True) if mend and before and before[0]["mend"] != BACK else before
    return {"problems": problems, "mended": len(before) - len(problems)}


def write_out(folder: Path, out: Path, form: str | None = None, overwrite: bool = False) -> ExportDocument:
    """Write all logs as CSV and Parquet (or one of them) to ``out``; importing them changes nothing.

    Raises UsageError for a format that is neither, StoreError where there is no store.
    """
    if form not in (None, "csv", "parquet"):
        raise UsageError(f'"{form}" is no format that calib writes.', "Say csv or parquet.")
    with _kept(folder, read_only=True) as store:
        files, unreadable = export_all(store, out, (form,) if form else ("csv", "parquet"), overwrite)
    return {"files": [str(path) for path in files], "unreadable": unreadable}


def take_back(folder: Path, dry_run: bool = False) -> UndoDocument:
    """Take back the last import; the document of ``undo_last``, with ``copy``: the store as it was before."""
    with _kept(folder) as store:
        if not dry_run:
            undo_last(store, dry_run=True)  # says what cannot be done before anything is copied
        copy = None if dry_run else copy_before(store, folder, "undo")
        return undo_last(store, dry_run) | {"copy": copy}


def forget(folder: Path, name: str, backups: bool = False, dry_run: bool = False) -> ForgetDocument:
    """Forget a person; the document of ``forget_person``."""
    _refuse_none(folder)
    return forget_person(folder, name, backups, dry_run)


@contextmanager
def _kept(folder: Path, read_only: bool = False) -> Iterator[Any]:
    """The store, which must be there: an empty one would be of no use to anybody who looks after it."""
    _refuse_none(folder)
    with open_store(folder, read_only=read_only) as store:
        yield store


def _refuse_none(folder: Path) -> None:
    refuse_gone(folder)
    if (folder / "shop.toml").exists() and not (folder / STORE_NAME).exists():
        raise StoreError(f"There is no {STORE_NAME} in {folder}.", "calib import makes it of the logs.")
