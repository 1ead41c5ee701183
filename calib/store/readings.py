"""Which files were read, when and how: what is there, is not read again."""

from __future__ import annotations

import hashlib
import importlib.metadata
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb

from calib.logs.mapping import Mapping
from calib.logs.read_before import ReadBefore
from calib.logs.read_table import RawTable
from calib.store.raw_rows import Settings

COUNTS = ("rows_read", "rows_new", "rows_corrected", "rows_repeated", "rows_quarantined", "rows_held")


def reading_digest(settings: Settings, mappings: Sequence[Mapping], shop_stages: Sequence[str]) -> str:
    """What the rows of a file depend on beside its bytes."""
    rules = sorted(repr(replace(mapping, name="")) for mapping in mappings)
    return hashlib.sha256(repr((settings, rules, sorted(shop_stages), _version())).encode()).hexdigest()


def tables_read_before(con: duckdb.DuckDBPyConnection, read_as: str) -> list[ReadBefore]:
    """Tables of files that were read in this way; none from before an import was taken back."""
    found = con.execute(
        """SELECT DISTINCT ON (sha256, bytes, sheet, kind) sha256, bytes, lines, sheet, kind, names, notes, rows_read,
            rows_quarantined FROM (
            SELECT *, sum(rows_used_again) OVER (PARTITION BY import_id, sha256) AS used_again FROM log_file
            JOIN log_import USING (import_id) WHERE read_as = ? AND taken_back_at IS NULL
            AND imported_at > coalesce((SELECT max(taken_back_at) FROM log_import), TIMESTAMP '-infinity')
        ) WHERE used_again = 0 ORDER BY sha256, bytes, sheet, kind, file_id""",
        [read_as],
    ).fetchall()
    return [
        ReadBefore(sha256, size, lines, sheet, kind, tuple(names), tuple(notes), rows, set_aside)
        for sha256, size, lines, sheet, kind, names, notes, rows, set_aside in found
    ]


def record_files(
    con: duckdb.DuckDBPyConnection,
    call: int,
    base: int,
    tables: Sequence[RawTable],
    files: Sequence[dict[str, Any]],
    zone: str,
    read_as: str,
) -> None:
    con.execute(
        "INSERT INTO log_import VALUES (?, (now() AT TIME ZONE 'UTC')::TIMESTAMP, ?, ?, NULL)", [call, zone, _version()]
    )
    used = dict(con.execute("SELECT file_no, count(DISTINCT raw_row) FROM used_again GROUP BY file_no").fetchall())
    for number, (table, counts) in enumerate(zip(tables, files, strict=True)):
        con.execute(
            "INSERT INTO log_file VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [base + number, call, Path(table.shown).name, table.kind, table.sha256, *(counts[key] for key in COUNTS),
             table.bytes, table.lines, read_as, used.get(number, 0), table.sheet, list(table.names), list(table.notes)],
        )  # fmt: skip


def _version() -> str:
    return importlib.metadata.version("calib")
