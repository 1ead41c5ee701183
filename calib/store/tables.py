"""The four kinds of log as tables of the store: their names, keys and columns, and how names and texts stand in SQL."""

from __future__ import annotations

from calib.logs.columns import KINDS

TABLE_OF = {"builds": "build", "stages": "stage_run", "items": "item", "events": "event"}
KEY = {
    "builds": "build_id",
    "stages": "coalesce('run ' || run_id, concat_ws(' | ', coalesce(build_id, order_id), stage, coalesce(station, '-'), "
    "coalesce(started_at::VARCHAR, date::VARCHAR, ended_at::VARCHAR, '-'), coalesce(attempt, 1)::INTEGER))",
    "items": "concat_ws(' | ', build_id, coalesce(order_id, '-'), coalesce(quote_id, '-'), coalesce(part_file, '-'))",
    "events": "concat_ws(' | ', \"at\"::VARCHAR, coalesce(machine, '-'), coalesce(station, '-'), what)",
}
# Rows of one key have one hash; few others share it. It is much quicker than the key itself.
KEY_HASH = {
    "builds": "hash(build_id)",
    "stages": "CASE WHEN run_id IS NOT NULL THEN hash(run_id) ELSE hash(coalesce(build_id, order_id), stage, "
    "coalesce(station, '-'), coalesce(started_at, date::TIMESTAMP, ended_at), coalesce(attempt, 1)) END",
    "items": "hash(build_id, coalesce(order_id, '-'), coalesce(quote_id, '-'), coalesce(part_file, '-'))",
    "events": "hash(\"at\", coalesce(machine, '-'), coalesce(station, '-'), what)",
}
SQL_TYPE = {"number": "DOUBLE", "stamp": "TIMESTAMP", "date": "DATE", "flag": "BOOLEAN"}
STAMPS = {column.name for columns in KINDS.values() for column in columns if column.kind == "stamp"}
MENDED_COLUMNS = ("calib_reject", "calib_reason")  # in front of rows that were set aside and mended


# Runs are many and their keys long: their table holds none; a query computes them where it needs them.
_KEY_IS_COMPUTED = {"stages"}
KEY_START = "coalesce(run_id, build_id, order_id)"  # what the key of a run begins with


def keyed(kind: str, suffix: str = "", where: str = "true") -> str:
    """The rows of a table, or of its history, with their key, as SQL has them; those of runs with their ``rowid`` as id."""
    table = TABLE_OF[kind] + suffix
    key = f"{KEY[kind]} AS row_key, rowid AS id, " if kind in _KEY_IS_COMPUTED else ""
    return f"(SELECT {key}* FROM {table} WHERE {where})"


def columns_of(kind: str) -> list[str]:
    return [column.name for column in KINDS[kind]]


def stored_names(kind: str) -> str:
    """The columns that are filled in a table and in its history, as SQL has them."""
    key = [] if kind in _KEY_IS_COMPUTED else ["row_key"]
    held = ["held", "closed_min"] if kind == "stages" else []
    return ", ".join([*key, "file_id", "line", "raw_hash", *map(quoted, columns_of(kind)), *held, "extra"])


def quoted(name: str) -> str:
    '''A column name as SQL has it.

    >>> print(quoted('a "b"'))
    "a ""b"""
    '''
    return '"' + name.replace('"', '""') + '"'


def text(value: str) -> str:
    """A text as SQL has it."""
    return "'" + value.replace("'", "''") + "'"
