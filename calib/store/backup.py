"""Backups by the engine's own export: plain Parquet and SQL that any DuckDB reads."""

from __future__ import annotations

import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from calib.errors import StoreError

BACKUPS = "backups"


def backup_store(con: duckdb.DuckDBPyConnection, folder: Path, label: str = "") -> Path:
    """Write all tables to ``folder/backups/<time>``; returns that folder, complete or not there at all."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")[:18]
    target = folder / BACKUPS / f"{stamp}{'-' + label if label else ''}"
    unfinished = target.with_name(target.name + ".unfinished")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        con.execute("EXPORT DATABASE '" + str(unfinished).replace("'", "''") + "' (FORMAT parquet)")
        os.replace(unfinished, target)
    except (OSError, duckdb.IOException) as error:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise StoreError(f"The backup could not be written to {target.parent}: {error}.", "Free some space.") from error
    return target


def list_backups(folder: Path) -> list[Path]:
    """Complete backups of a shop, the newest last."""
    return sorted(p for p in (folder / BACKUPS).glob("*") if p.is_dir() and p.suffix != ".unfinished")
