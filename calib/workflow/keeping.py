"""Looking after the store: copies of it, and the rows that were set aside."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from calib.store.backup import backup_store, restore_store
from calib.store.open_store import open_store
from calib.store.quarantine import export_rejects, list_rejects


def make_backup(folder: Path) -> dict[str, Any]:
    """Copy the store beside it."""
    with open_store(folder) as store:
        return {"backup": str(backup_store(store, folder))}


def put_back(folder: Path, backup: Path | None) -> dict[str, Any]:
    """Put a copy in the store's place; the store that was there is kept."""
    used, kept = restore_store(folder, backup)
    return {"backup": str(used), "kept": str(kept) if kept else None}


def find_rejects(folder: Path, out: Path | None) -> dict[str, Any]:
    """Every row that is set aside; with ``out`` also as CSV files to mend and import again."""
    if out:
        out.mkdir(parents=True, exist_ok=True)
    with open_store(folder) as store:
        rows = list_rejects(store)
        files = export_rejects(store, out) if out else []
    return {"rows": rows, "files": [str(path) for path in files]}
