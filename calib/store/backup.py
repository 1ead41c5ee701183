"""Backups by the engine's own export: plain Parquet and SQL that any DuckDB reads."""

from __future__ import annotations

import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from calib.documents.logs import Copy
from calib.errors import StoreError
from calib.store.damage import is_damage

BACKUPS = "backups"
KEPT = 3  # copies before the same thing; common practice, no source
UNFINISHED = ".unfinished"  # ends the name of a folder that is no whole copy


def backup_store(con: duckdb.DuckDBPyConnection, folder: Path, label: str = "") -> Path:
    """Write all tables to ``folder/backups/<time>``; returns that folder, complete or not there at all.

    Raises StoreError where it cannot be written.
    """
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")[:18]
    target = folder / BACKUPS / f"{stamp}{'-' + label if label else ''}"
    unfinished = target.with_name(target.name + UNFINISHED)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        con.execute("EXPORT DATABASE '" + str(unfinished).replace("'", "''") + "' (FORMAT parquet)")
        os.replace(unfinished, target)
    except (OSError, duckdb.IOException) as error:
        if is_damage(error):
            raise
        raise StoreError(f"The backup could not be written to {target.parent}: {error}.", "Free some space.") from error
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)
    return target


def copy_before(con: duckdb.DuckDBPyConnection, folder: Path, what: str) -> Copy:
    """A copy before something that changes much; the last KEPT before the same thing stay, those that somebody made all do.

    Raises StoreError where it cannot be written, or the store cannot be read.
    """
    label = f"before-{what}"
    copy = backup_store(con, folder, label)
    alike = [part for part in list_backups(folder) if part.name.endswith(f"-{label}")]
    for old in alike[:-KEPT]:
        gone = old.with_name(old.name + UNFINISHED)  # never half a copy that looks whole
        os.replace(old, gone)
    for gone in (folder / BACKUPS).glob(f"*{UNFINISHED}"):
        shutil.rmtree(gone, ignore_errors=True)
    return {"path": str(copy), "mb": round(sum(part.stat().st_size for part in copy.iterdir()) / 1e6, 1)}


def list_backups(folder: Path) -> list[Path]:
    """Complete backups of a shop, the newest last."""
    return sorted(p for p in (folder / BACKUPS).glob("*") if p.is_dir() and p.suffix != UNFINISHED)
