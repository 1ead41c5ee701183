"""Everything back out: CSV and Parquet in the columns that the import reads, so that importing an export changes nothing."""

from __future__ import annotations

import hashlib
from pathlib import Path

import duckdb

from calib.errors import UsageError
from calib.logs.columns import KINDS, Column
from calib.logs.words import library_says
from calib.store.tables import TABLE_OF, keyed, quoted, text

FORMATS = {"csv": "(FORMAT csv, HEADER)", "parquet": "(FORMAT parquet)"}


def export_all(
    con: duckdb.DuckDBPyConnection, folder: Path, formats: tuple[str, ...] = ("csv", "parquet")
) -> list[Path]:
    """Write builds, stages, items and events to ``folder``; returns the files.

    Times are UTC with offset. In CSV a text that a spreadsheet would take for a formula gets an apostrophe in front, which
    the import takes off again.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _spare_logs(con, folder, formats)
        return [_export(con, kind, folder, form) for kind in KINDS for form in formats]
    except (OSError, duckdb.IOException) as error:
        raise UsageError(f"{folder} cannot be written: {_why(error)}.", "Name a folder of your own.") from error


def _spare_logs(con: duckdb.DuckDBPyConnection, folder: Path, formats: tuple[str, ...]) -> None:
    """A log that was imported is the lab's own: no export takes its place."""
    for path in (folder / f"{kind}.{form}" for kind in KINDS for form in formats):
        if path.is_file():
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            if con.execute("SELECT 1 FROM log_file WHERE sha256 = ?", [digest]).fetchone():
                raise UsageError(f"{path} is a log that was imported.", "Name a folder of its own for the export.")


def _why(error: Exception) -> str:
    return error.strerror if isinstance(error, OSError) and error.strerror else library_says(error)


def _export(con: duckdb.DuckDBPyConnection, kind: str, folder: Path, form: str) -> Path:
    path = folder / f"{kind}.{form}"
    table = TABLE_OF[kind]
    kept = con.execute(
        f"SELECT DISTINCT unnest(json_keys(extra)) AS name FROM {table} WHERE extra IS NOT NULL ORDER BY name"
    )
    columns = [_column(column, form) for column in KINDS[kind]]
    columns += [f"{_kept(name, form)} AS {quoted(name)}" for (name,) in kept.fetchall()]
    con.execute(
        f"COPY (SELECT {', '.join(columns)} FROM {keyed(kind)} ORDER BY row_key) TO {text(str(path))} {FORMATS[form]}"
    )
    return path


def _column(column: Column, form: str) -> str:
    name = quoted(column.name)
    if column.kind == "stamp":
        return f"strftime({name}, '%Y-%m-%dT%H:%M:%S.%fZ') AS {name}"
    if form == "csv" and column.kind in ("text", "stage"):
        return f"{_harmless(name)} AS {name}"
    return name


def _kept(name: str, form: str) -> str:
    path = '$."' + name.replace('"', '\\"') + '"'
    value = f"json_extract_string(extra, {text(path)})"
    return _harmless(value) if form == "csv" else value


def _harmless(value: str) -> str:
    return (
        f"CASE WHEN regexp_matches({value}, '^''*[=+@\\t\\r-]') AND try_cast({value} AS DOUBLE) IS NULL "
        f"THEN '''' || {value} ELSE {value} END"
    )
