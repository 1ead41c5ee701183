"""Looking after the store: copies of it, its check, everything out, the last import taken back, a person forgotten."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from calib.errors import UsageError
from calib.store.backup import backup_store
from calib.store.check import check_store
from calib.store.export import export_all
from calib.store.forget import forget_person
from calib.store.open_store import open_store
from calib.store.restore import restore_store
from calib.store.undo import undo_last


def make_backup(folder: Path) -> dict[str, Any]:
    """Copy the store beside it."""
    with open_store(folder) as store:
        return {"backup": str(backup_store(store, folder))}


def put_back(folder: Path, backup: Path | None) -> dict[str, Any]:
    """Put a copy in the store's place; the store that was there is kept."""
    used, kept = restore_store(folder, backup)
    return {"backup": str(used), "kept": str(kept) if kept else None}


def check_shop(folder: Path, mend: bool = False) -> dict[str, Any]:
    """problems: what does not hold of the store, each with how many rows and how to mend it; empty when all is well."""
    with open_store(folder) as store:
        before = check_store(store)
        problems = check_store(store, mend=True) if mend else before
    return {"problems": problems, "mended": len(before) - len(problems)}


def write_out(folder: Path, out: Path, form: str | None = None, overwrite: bool = False) -> dict[str, Any]:
    """files: all logs as CSV and Parquet (or one of them) in ``out``; importing them changes nothing."""
    if form not in (None, "csv", "parquet"):
        raise UsageError(f'"{form}" is no format that calib writes.', "Say csv or parquet.")
    with open_store(folder, read_only=True) as store:
        files = export_all(store, out, (form,) if form else ("csv", "parquet"), overwrite)
    return {"files": [str(path) for path in files]}


def take_back(folder: Path, dry_run: bool = False) -> dict[str, Any]:
    """Take back the last import; the document of ``undo_last``."""
    with open_store(folder) as store:
        return undo_last(store, dry_run)


def forget(folder: Path, name: str, backups: bool = False) -> dict[str, Any]:
    """Forget a person; the document of ``forget_person``."""
    return forget_person(folder, name, backups)
