"""Staged rows into the store: new, repeated, corrected or held. A correction replaces and the old row stays in history.

Rows of keys that come once and are not stored go in at once. The others are taken in rounds, each round the next row of
every key, so that a row meets what the row before it left. All of it is SQL over whole tables.
"""

from __future__ import annotations

from collections import Counter

import duckdb

from calib.logs.columns import KINDS
from calib.store.tables import KEY, KEY_HASH, TABLE_OF, columns_of, keyed, quoted, stored_names

Fates = dict[int, Counter[str]]  # number of the file -> fate -> rows


def merge(con: duckdb.DuckDBPyConnection, kind: str, file_base: int) -> Fates:
    """Store ``good_<kind>``.

    file_base : file number 0 has this ``file_id``

    Returns for each file how many rows were new, held, repeated, corrected.
    """
    fates: Fates = {}
    digest = KEY_HASH[kind]
    con.execute(
        f"CREATE TEMP TABLE many_{kind} AS SELECT {digest} AS digest FROM good_{kind} GROUP BY digest HAVING count(*) > 1"
        f" UNION SELECT {digest} FROM {TABLE_OF[kind]} WHERE {digest} IN (SELECT {digest} FROM good_{kind})"
    )
    many = bool(con.execute(f"SELECT digest FROM many_{kind} LIMIT 1").fetchone())
    once = f"good_{kind}" + (f" WHERE {digest} NOT IN (SELECT digest FROM many_{kind})" if many else "")
    _insert(con, kind, once, file_base)
    _count_new(con, kind, once, fates)
    if many:
        _merge_many(con, kind, file_base, fates)
    return fates


def _names(kind: str, prefix: str = "") -> str:
    return ", ".join(prefix + quoted(name) for name in columns_of(kind))


def _insert(con: duckdb.DuckDBPyConnection, kind: str, rows: str, file_base: int) -> None:
    names = stored_names(kind)
    source = names.replace("file_id", f"file_no + {file_base}", 1)
    con.execute(f"INSERT INTO {TABLE_OF[kind]} ({names}) SELECT {source} FROM {rows}")


def _count_new(con: duckdb.DuckDBPyConnection, kind: str, rows: str, fates: Fates) -> None:
    held = "held" if kind == "stages" else "false"
    for file_no, is_held, count in con.execute(f"SELECT file_no, {held}, count(*) FROM {rows} GROUP BY ALL").fetchall():
        _add(fates, file_no, "held" if is_held else "new", count)


def _add(fates: Fates, file_no: int, fate: str, count: int) -> None:
    fates.setdefault(file_no, Counter())[fate] += count


def _merge_many(con: duckdb.DuckDBPyConnection, kind: str, file_base: int, fates: Fates) -> None:
    """Keys that are stored already, or come more than once; the same content again is a repeat at once."""
    content = f"{_names(kind)}, extra"
    order = "started_at IS NULL, file_no, line" if kind == "stages" else "file_no, line"  # an end comes after its start
    con.execute(
        f"CREATE TEMP TABLE queue_{kind} AS SELECT *, row_number() OVER (PARTITION BY row_key, present, {content} "
        f"ORDER BY file_no, line) AS copy FROM good_{kind} WHERE {KEY_HASH[kind]} IN (SELECT digest FROM many_{kind})"
    )
    for file_no, count in con.execute(
        f"SELECT file_no, count(*) FROM queue_{kind} WHERE copy > 1 GROUP BY ALL"
    ).fetchall():
        _add(fates, file_no, "repeated", count)
    con.execute(
        f"CREATE TEMP TABLE turn_{kind} AS SELECT *, row_number() OVER (PARTITION BY row_key ORDER BY {order}) "
        f"AS turn FROM queue_{kind} WHERE copy = 1"
    )
    last = con.execute(f"SELECT coalesce(max(turn), 0) FROM turn_{kind}").fetchone()
    for turn in range(1, (int(last[0]) if last else 0) + 1):
        _one_turn(con, kind, turn, file_base, fates)


def _one_turn(con: duckdb.DuckDBPyConnection, kind: str, turn: int, file_base: int, fates: Fates) -> None:
    table = TABLE_OF[kind]
    merged = ", ".join(
        f"CASE WHEN s.row_key IS NULL OR (r.present >> {place}) & 1 = 1 THEN r.{quoted(c.name)} "
        f"ELSE s.{quoted(c.name)} END AS {quoted(c.name)}"
        for place, c in enumerate(KINDS[kind])
    )
    held = "r.held, NULL::DOUBLE AS closed_min, " if kind == "stages" else ""
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE meets_{kind} AS SELECT r.row_key, r.file_no, r.line, r.raw_hash, {merged}, {held}"
        "CASE WHEN s.row_key IS NULL OR s.extra IS NULL THEN r.extra WHEN r.extra IS NULL THEN s.extra "
        "ELSE json_merge_patch(s.extra, r.extra)::VARCHAR END AS extra, s.row_key IS NOT NULL AS stored "
        f"FROM turn_{kind} r LEFT JOIN {keyed(kind)} s ON s.row_key = r.row_key WHERE r.turn = {turn}"
    )
    con.execute(f"CREATE OR REPLACE TEMP TABLE change_{kind} AS {_changes(kind)}")
    for file_no, count in con.execute(
        f"SELECT file_no, count(*) FROM (SELECT file_no FROM meets_{kind} EXCEPT ALL SELECT file_no FROM change_{kind}) "
        "GROUP BY ALL"
    ).fetchall():
        _add(fates, file_no, "repeated", count)
    _count_new(con, kind, f"change_{kind} WHERE NOT stored", fates)
    for file_no, count in con.execute(
        f"SELECT file_no, count(*) FROM change_{kind} WHERE stored GROUP BY ALL"
    ).fetchall():
        _add(fates, file_no, "corrected", count)
    replaced = f"(SELECT row_key FROM change_{kind} WHERE stored)"
    old = stored_names(kind)
    con.execute(
        f"INSERT INTO {table}_history ({old}, replaced_by) SELECT {old}, {file_base} + (SELECT min(file_no) FROM "
        f"change_{kind} c WHERE c.row_key = s.row_key) FROM {keyed(kind)} s WHERE row_key IN {replaced}"
    )
    con.execute(f"DELETE FROM {table} WHERE {KEY[kind]} IN {replaced}")
    _insert(con, kind, f"change_{kind}", file_base)


def _changes(kind: str) -> str:
    """Rows of this turn whose content is neither stored nor in the history of their key."""
    same = " AND ".join(f"m.{quoted(c)} IS NOT DISTINCT FROM v.{quoted(c)}" for c in [*columns_of(kind), "extra"])
    content = f"row_key, {_names(kind)}, extra"
    return (
        f"SELECT m.* FROM meets_{kind} m ANTI JOIN (SELECT {content} FROM {keyed(kind)} UNION ALL SELECT {content} "
        f"FROM {keyed(kind, '_history')}) v ON m.row_key = v.row_key AND {same}"
    )
