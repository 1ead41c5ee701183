"""Staged rows into the store: new, repeated, corrected or held. A correction replaces and the old row stays in history.

Rows of keys that come once and are not stored go in at once. The others are taken in rounds, each round the next row of
every key, so that a row meets what the row before it left. All of it is SQL over whole tables (``staging_tables``).
"""

from __future__ import annotations

from collections import Counter

import duckdb

from calib.logs.columns import KINDS
from calib.store.staging_tables import StagingTables
from calib.store.tables import KEY, KEY_HASH, columns_of, keyed, quoted, stored_names

Fates = Counter[tuple[int, str]]  # (number of the file, fate) -> rows


def merge(con: duckdb.DuckDBPyConnection, kind: str, file_base: int) -> Fates:
    """Store ``good_<kind>``.

    file_base : file number 0 has this ``file_id``

    Returns for each file how many rows were new, held, repeated, corrected.
    """
    names, digest = StagingTables(kind), KEY_HASH[kind]
    con.execute(
        f"CREATE TEMP TABLE {names.repeated} AS SELECT {digest} AS digest FROM {names.good} GROUP BY digest HAVING count(*) > 1"
        f" UNION SELECT {digest} FROM {names.stored} WHERE {digest} IN (SELECT {digest} FROM {names.good})"
    )
    some_repeat = bool(con.execute(f"SELECT digest FROM {names.repeated} LIMIT 1").fetchone())
    once = names.good + (f" WHERE {digest} NOT IN (SELECT digest FROM {names.repeated})" if some_repeat else "")
    _insert(con, names, once, file_base)
    fates = _count_new(con, names, once)
    return fates + _merge_repeated(con, names, file_base) if some_repeat else fates


def _columns(kind: str) -> str:
    return ", ".join(map(quoted, columns_of(kind)))


def _insert(con: duckdb.DuckDBPyConnection, names: StagingTables, rows: str, file_base: int) -> None:
    columns = stored_names(names.kind)
    source = columns.replace("file_id", f"file_no + {file_base}", 1)
    con.execute(f"INSERT INTO {names.stored} ({columns}) SELECT {source} FROM {rows}")


def _count_new(con: duckdb.DuckDBPyConnection, names: StagingTables, rows: str) -> Fates:
    held = "held" if names.kind == "stages" else "false"
    counts = con.execute(f"SELECT file_no, {held}, count(*) FROM {rows} GROUP BY ALL").fetchall()
    return Counter({(file_no, "held" if is_held else "new"): count for file_no, is_held, count in counts})


def _count(con: duckdb.DuckDBPyConnection, fate: str, rows: str) -> Fates:
    counts = con.execute(f"SELECT file_no, count(*) FROM {rows} GROUP BY ALL").fetchall()
    return Counter({(file_no, fate): count for file_no, count in counts})


def _merge_repeated(con: duckdb.DuckDBPyConnection, names: StagingTables, file_base: int) -> Fates:
    """Keys that are stored already, or come more than once; the same content again is a repeat at once."""
    content = f"{_columns(names.kind)}, extra"
    # an end comes after its start
    order = "started_at IS NULL, file_no, line" if names.kind == "stages" else "file_no, line"
    con.execute(
        f"CREATE TEMP TABLE {names.waiting} AS SELECT *, row_number() OVER (PARTITION BY row_key, present, {content} "
        f"ORDER BY file_no, line) AS copy FROM {names.good} WHERE {KEY_HASH[names.kind]} IN (SELECT digest FROM {names.repeated})"
    )
    con.execute(
        f"CREATE TEMP TABLE {names.round} AS SELECT *, row_number() OVER (PARTITION BY row_key ORDER BY {order}) "
        f"AS round_no FROM {names.waiting} WHERE copy = 1"
    )
    fates = _count(con, "repeated", f"{names.waiting} WHERE copy > 1")
    last = con.execute(f"SELECT coalesce(max(round_no), 0) FROM {names.round}").fetchone()
    for number in range(1, (int(last[0]) if last else 0) + 1):
        fates = fates + _merge_round(con, names, number, file_base)
    return fates


def _merge_round(con: duckdb.DuckDBPyConnection, names: StagingTables, number: int, file_base: int) -> Fates:
    _fill_up(con, names, number)
    con.execute(f"CREATE OR REPLACE TEMP TABLE {names.change} AS {_changes(names)}")
    fates = (
        _count(con, "repeated", f"(SELECT file_no FROM {names.merged} EXCEPT ALL SELECT file_no FROM {names.change})")
        + _count_new(con, names, f"{names.change} WHERE NOT stored")
        + _count(con, "corrected", f"{names.change} WHERE stored")
    )
    replaced = f"(SELECT row_key FROM {names.change} WHERE stored)"
    old = stored_names(names.kind)
    con.execute(
        f"INSERT INTO {names.history} ({old}, replaced_by) SELECT {old}, {file_base} + (SELECT min(file_no) FROM "
        f"{names.change} c WHERE c.row_key = s.row_key) FROM {keyed(names.kind)} s WHERE row_key IN {replaced}"
    )
    con.execute(f"DELETE FROM {names.stored} WHERE {KEY[names.kind]} IN {replaced}")
    _insert(con, names, names.change, file_base)
    return fates


def _fill_up(con: duckdb.DuckDBPyConnection, names: StagingTables, number: int) -> None:
    """The rows of a round; a column that a row's file lacks keeps what is stored."""
    columns = ", ".join(
        f"CASE WHEN s.row_key IS NULL OR (r.present >> {place}) & 1 = 1 THEN r.{quoted(c.name)} "
        f"ELSE s.{quoted(c.name)} END AS {quoted(c.name)}"
        for place, c in enumerate(KINDS[names.kind])
    )
    held = "r.held, NULL::DOUBLE AS closed_min, " if names.kind == "stages" else ""
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE {names.merged} AS SELECT r.row_key, r.file_no, r.line, r.raw_hash, {columns}, {held}"
        "CASE WHEN s.row_key IS NULL OR s.extra IS NULL THEN r.extra WHEN r.extra IS NULL THEN s.extra "
        "ELSE json_merge_patch(s.extra, r.extra)::VARCHAR END AS extra, s.row_key IS NOT NULL AS stored "
        f"FROM {names.round} r LEFT JOIN {keyed(names.kind)} s ON s.row_key = r.row_key WHERE r.round_no = {number}"
    )


def _changes(names: StagingTables) -> str:
    """Rows of this round whose content is neither stored nor in the history of their key."""
    kind = names.kind
    same = " AND ".join(f"m.{quoted(c)} IS NOT DISTINCT FROM v.{quoted(c)}" for c in [*columns_of(kind), "extra"])
    content = f"row_key, {_columns(kind)}, extra"
    return (
        f"SELECT m.* FROM {names.merged} m ANTI JOIN (SELECT {content} FROM {keyed(kind)} UNION ALL SELECT {content} "
        f"FROM {keyed(kind, '_history')}) v ON m.row_key = v.row_key AND {same}"
    )
