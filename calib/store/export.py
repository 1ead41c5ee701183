"""Everything back out: CSV and Parquet in the columns that the import reads, so that importing an export changes nothing."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import duckdb

from calib.errors import UsageError
from calib.logs.columns import KINDS, Column
from calib.logs.formulas import FORMULA, NUMBER, harmless
from calib.results import EXPORT, Result, check_results, digest_of, is_listed
from calib.store.damage import is_damage
from calib.store.tables import TABLE_OF, keyed, quoted, text

FORMATS = {"csv": "(FORMAT csv, HEADER, USE_TMP_FILE false)", "parquet": "(FORMAT parquet, USE_TMP_FILE false)"}


def export_all(
    con: duckdb.DuckDBPyConnection, folder: Path, formats: tuple[str, ...] = ("csv", "parquet"), overwrite: bool = False
) -> tuple[list[Path], list[str]]:
    """Write builds, stages, items and events to ``folder``; returns the files, and the tables that cannot be read any more.

    Times are UTC with offset. In CSV a text that a spreadsheet would take for a formula gets an apostrophe in front, which
    the import takes off again. A file that is no earlier export as calib wrote it is replaced only where ``overwrite``.
    """
    kinds = {Result(folder / f"{kind}.{form}", EXPORT, overwrite): (kind, form) for kind in KINDS for form in formats}
    check_results(*kinds)
    _spare_logs(con, [result.path for result in kinds])
    written, unread = [], []
    for result, (kind, form) in kinds.items():
        try:
            with result.writing() as beside:
                _export(con, kind, beside, form)
            written.append(result.path)
        except duckdb.Error as error:
            if not is_damage(error):
                raise
            unread.append(f"{kind}.{form}")
    return written, unread


def _spare_logs(con: duckdb.DuckDBPyConnection, paths: Iterable[Path]) -> None:
    """A log that was imported is the lab's own: no export takes its place, unless calib itself wrote it there."""
    for path in paths:
        if not path.is_file() or is_listed(path):
            continue
        if _is_log(con, path):
            raise UsageError(f"{path} is a log that was imported.", "Name a folder of its own for the export.")


def _is_log(con: duckdb.DuckDBPyConnection, path: Path) -> bool:
    try:
        return con.execute("SELECT 1 FROM log_file WHERE sha256 = ?", [digest_of(path)]).fetchone() is not None
    except duckdb.Error as error:
        if not is_damage(error):
            raise
        return True  # nobody can tell any more


def _export(con: duckdb.DuckDBPyConnection, kind: str, path: Path, form: str) -> None:
    table = TABLE_OF[kind]
    kept = con.execute(
        f"SELECT DISTINCT unnest(json_keys(extra)) AS name FROM {table} WHERE extra IS NOT NULL ORDER BY name"
    )
    columns = [_column(column, form) for column in KINDS[kind]]
    columns += [f"{_kept(name, form)} AS {quoted(_heading(name, form))}" for (name,) in kept.fetchall()]
    con.execute(
        f"COPY (SELECT {', '.join(columns)} FROM {keyed(kind)} ORDER BY row_key) TO {text(str(path))} {FORMATS[form]}"
    )


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


def _heading(name: str, form: str) -> str:
    return harmless(name) if form == "csv" else name


def _harmless(value: str) -> str:
    return (
        f"CASE WHEN regexp_matches({value}, {text(FORMULA)}) AND NOT regexp_matches({value}, {text(NUMBER)}) "
        f"THEN '''' || {value} ELSE {value} END"
    )
