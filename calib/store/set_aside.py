"""Rows set aside: kept as they stood with their reasons; listed, exported, mended and read again."""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, cast

import duckdb

from calib.documents.logs import RowToMend, SetAsideRow
from calib.errors import UsageError
from calib.logs.check_rows import rules_for
from calib.logs.columns import KINDS
from calib.logs.formulas import harmless
from calib.logs.read_table import RawTable
from calib.logs.words import stage_problem
from calib.results import TO_MEND, Result, check_results
from calib.store.hide_names import RowHider
from calib.store.staging import Staged, broken_rules, collect_bad
from calib.store.staging_tables import FileTables, StagingTables

SAMPLES = 20
SHOWN = 300  # letters of a value or a reason that are shown; the row is kept whole


def keep_set_aside(
    con: duckdb.DuckDBPyConnection, staged: Sequence[Staged], base: int, names: str, shop_stages: Sequence[str]
) -> Counter[int]:
    """Store what was set aside in this call; a row that is listed already is counted, not listed again.

    names : 'alias', 'named' or 'off'

    Returns the number of rows set aside for each file.
    """
    counts: Counter[int] = Counter()
    for kind in KINDS:
        bad = f"SELECT file_no, count(*) FROM {StagingTables(kind).staged} WHERE bad GROUP BY file_no"
        counts.update(dict(con.execute(bad).fetchall()))
    for number in counts:
        table, typing = staged[number].table, staged[number].typing
        assert typing is not None, "rows of a file that was read before are not staged"
        collect_bad(con, number, table)
        rules = broken_rules(con, number, typing)
        hider = None if names == "named" else RowHider(con, names, table.names)
        _insert(con, _rows_of_file(con, number, table, rules, base, hider, shop_stages))
    return counts


def _rows_of_file(
    con: duckdb.DuckDBPyConnection,
    number: int,
    table: RawTable,
    broken: Mapping[int, int],
    base: int,
    hider: RowHider | None,
    shop_stages: Sequence[str],
) -> list[list[Any]]:
    """Rows of the table of rows set aside: one for each rule that a row of the file breaks."""
    cells = ", ".join(f"r{place}" for place in range(len(table.names)))
    set_aside = con.execute(
        f"""SELECT b.line, b.raw_hash, b.raw_row, u.column_name, u.rule, u.says, b.fault, {cells} FROM {FileTables(number).bad} b
        LEFT JOIN used_again u ON u.kind = ? AND u.file_no = {number} AND u.raw_row = b.raw_row
        WHERE b.raw_hash NOT IN (SELECT raw_hash FROM quarantine) ORDER BY b.line""",
        [table.kind],
    ).fetchall()
    next_id = con.execute("SELECT coalesce(max(reject_id), 0) + 1 FROM quarantine").fetchone()
    rows: list[list[Any]] = []
    for reject_id, (line, raw_hash, raw_row, column, rule, says, fault, *values) in enumerate(
        set_aside, next_id[0] if next_id else 1
    ):
        row = {name: value for name, value in zip(table.names, values, strict=True) if value is not None}
        rules = broken.get(raw_row, 0)
        if hider:
            row = hider.hidden(row, bool(fault) or _reads_no_number(table.kind, rules))
        reasons = _reasons(table.kind, rules, row, fault, shop_stages)
        if says:
            reasons.append((column, row.get(column), rule, says))
        rows += [
            [reject_id, base + number, table.kind, line, column, row.get(column, value) if column else value, rule, reason,
             json.dumps(row, ensure_ascii=False), raw_hash, "open"]
            for column, value, rule, reason in reasons
        ]  # fmt: skip
    return rows


def _insert(con: duckdb.DuckDBPyConnection, rows: list[list[Any]]) -> None:
    if not rows:
        return
    types = ("BIGINT", "BIGINT", "VARCHAR", "BIGINT", "VARCHAR", "VARCHAR", "VARCHAR", "VARCHAR", "VARCHAR", "UBIGINT",
             "VARCHAR")  # fmt: skip
    columns = [list(column) for column in zip(*rows, strict=True)]
    con.execute(
        "INSERT INTO quarantine (reject_id, file_id, kind, line, column_name, value, rule, reason, row_text, raw_hash, state) "
        f"SELECT {', '.join(f'unnest(?::{kind}[])' for kind in types)}",
        columns,
    )


def _reads_no_number(kind: str, bad: int) -> bool:
    """Whether a cell is not what its column holds, as where cells stand under the heading of another."""
    return any(bad >> bit & 1 and not rule.needs for bit, rule in enumerate(rules_for(kind)))


def _reasons(
    kind: str, bad: int, row: dict[str, str], fault: str | None, shop_stages: Sequence[str]
) -> list[tuple[str, str | None, str, str]]:
    """Column, value, rule and sentence of each broken rule; a cell that is not read at all breaks no range as well."""
    if fault:
        return [("", None, "row shape", fault)]
    reasons = []
    broken = [rule for bit, rule in enumerate(rules_for(kind)) if bad >> bit & 1]
    columns = {rule.column for rule in broken if not rule.needs}
    for rule in broken:
        if not columns & set(rule.needs):
            sentence = rule.sentence
            if "{stage}" in sentence:
                word = (row.get("stage") or "").strip().lower().replace(" + ", "+")
                sentence = sentence.replace("{stage}", stage_problem(word, shop_stages))
            reasons.append((rule.column, row.get(rule.column), rule.name, sentence))
    return reasons


def samples(con: duckdb.DuckDBPyConnection, base: int) -> list[SetAsideRow]:
    """The first rows that this call set aside."""
    return list_set_aside(con, limit=SAMPLES, since_file=base)


def count_set_aside(con: duckdb.DuckDBPyConnection, base: int) -> int:
    """How many rows this call set aside that no earlier one had."""
    row = con.execute("SELECT count(DISTINCT reject_id) FROM quarantine WHERE state = 'open' AND file_id >= ?", [base])
    return int((row.fetchone() or (0,))[0])


def list_set_aside(
    con: duckdb.DuckDBPyConnection, limit: int | None = None, since_file: int = 0, state: str = "open"
) -> list[SetAsideRow]:
    """Rows set aside, oldest first, long values and reasons cut."""
    rows = con.execute(
        f"SELECT q.reject_id, f.name, q.kind, q.line, q.column_name, {_shown('q.value')}, q.rule, {_shown('q.reason')} "
        "FROM quarantine q "
        "JOIN log_file f USING (file_id) WHERE q.state = ? AND q.file_id >= ? ORDER BY q.reject_id, q.column_name LIMIT ?",
        [state, since_file, limit or 1 << 60],
    ).fetchall()
    keys = ("reject_id", "path", "kind", "line", "column", "value", "rule", "reason")
    return [cast(SetAsideRow, dict(zip(keys, row, strict=True))) for row in rows]


def find_set_aside_row(con: duckdb.DuckDBPyConnection, number: int) -> RowToMend:
    """An open row. Raises UsageError where there is none."""
    rows = con.execute(
        "SELECT kind, row_text, column_name, reason FROM quarantine WHERE state = 'open' AND reject_id = ? ORDER BY column_name",
        [number],
    ).fetchall()
    if not rows:
        raise UsageError(f"No row {number} is set aside.", "Their numbers: calib set-aside")
    kind, cells = rows[0][0], json.loads(rows[0][1])
    return {
        "reject_id": number,
        "kind": kind,
        "cells": cells,
        "reasons": [(column, why) for _, _, column, why in rows],
    }


def _shown(text: str) -> str:
    return f"CASE WHEN length({text}) > {SHOWN} THEN left({text}, {SHOWN}) || '...' ELSE {text} END"


def export_set_aside(con: duckdb.DuckDBPyConnection, folder: Path, overwrite: bool = False) -> list[Path]:
    """Write what is open as CSV to mend, one file for each kind, with the reasons in a last column.

    A file that somebody has begun to mend is replaced only where ``overwrite``: UsageError otherwise, and none is written.
    """
    tables: dict[Path, list[dict[str, str]]] = {}
    for kind in KINDS:
        open_rows = con.execute(
            "SELECT reject_id, any_value(row_text), string_agg(column_name || ': ' || reason, '; ') FROM quarantine "
            "WHERE state = 'open' AND kind = ? GROUP BY reject_id ORDER BY reject_id",
            [kind],
        ).fetchall()
        if not open_rows:
            continue
        rows = [json.loads(row) | {"calib_reject": str(number), "calib_reason": why} for number, row, why in open_rows]
        tables[folder / f"quarantine_{kind}.csv"] = rows
    results = [Result(path, TO_MEND, overwrite) for path in tables]
    check_results(*results)
    for result in results:
        with result.writing() as beside:
            write_rows(beside, tables[result.path])
    return list(tables)


def write_rows(path: Path, rows: list[dict[str, str]]) -> None:
    names = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", encoding="utf-8-sig", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(map(harmless, names))
        writer.writerows([harmless(row.get(name)) for name in names] for row in rows)


def close_mended(con: duckdb.DuckDBPyConnection, number: int, table: RawTable, file_id: int) -> None:
    """Rows of an exported file that came back are open no more: mended, or set aside again under a new number."""
    if "calib_reject" not in table.names:
        return
    cell = f"r{table.names.index('calib_reject')}"
    still_bad = (
        f"raw_hash IN (SELECT raw_hash FROM {StagingTables(table.kind).staged} WHERE file_no = {number} AND bad)"
    )
    con.execute(
        f"UPDATE quarantine SET state = CASE WHEN b.bad THEN 'retried' ELSE 'mended' END, closed_by = ? FROM "
        f"(SELECT try_cast({cell} AS BIGINT) AS reject_id, bool_or({still_bad}) AS bad FROM {FileTables(number).raw} GROUP BY ALL) b "
        "WHERE quarantine.reject_id = b.reject_id AND state = 'open' AND file_id < ?",
        [file_id, file_id],
    )


def close_come_in(con: duckdb.DuckDBPyConnection, base: int) -> None:
    """Rows that were set aside for what was known then, and have come in since, are open no more."""
    for kind in KINDS:
        con.execute(
            f"UPDATE quarantine SET state = 'mended', closed_by = {base} + g.file_no FROM {StagingTables(kind).good} g "
            f"WHERE quarantine.kind = '{kind}' AND state = 'open' AND g.raw_hash = quarantine.raw_hash"
        )


def drop_set_aside(con: duckdb.DuckDBPyConnection, numbers: Sequence[int], back: bool = False) -> list[int]:
    """A person says that rows set aside are nothing to keep; they stay in the list of dropped ones.

    back : the other way round: dropped ones are open again

    Returns the numbers that were changed.
    """
    was, now = ("dropped", "open") if back else ("open", "dropped")
    changed = con.execute(
        f"UPDATE quarantine SET state = '{now}' WHERE state = '{was}' AND reject_id IN (SELECT unnest(?::BIGINT[])) "
        "RETURNING reject_id",
        [list(numbers)],
    ).fetchall()
    return sorted({number for (number,) in changed})
