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


def columns_of(kind: str) -> list[str]:
    return [column.name for column in KINDS[kind]]


def quoted(name: str) -> str:
    '''A column name as SQL has it.

    >>> print(quoted('a "b"'))
    "a ""b"""
    '''
    return '"' + name.replace('"', '""') + '"'


def text(value: str) -> str:
    """A text as SQL has it."""
    return "'" + value.replace("'", "''") + "'"
