"""What each look for drift leaves to the next one: limits, alarms, how far it looked; and changes that a person accepted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, cast

import duckdb

from calib.documents.drift import AlarmRow, LimitRow
from calib.documents.spans import Named
from calib.store.transaction import transaction

LIMIT = ("quarter", "process", "stage", "level", "spread", "false_alarms_per_year")
TIMES = ("signalled_at", "first_at", "known_since", "ended_at")
ALARM = ("process", "stage", "kind", "sign", *TIMES[:2], "runs", "minutes", "since", "since_low", "since_high",
         "change_pct", *TIMES[2:], "ended_why")  # fmt: skip
Row = dict[str, Any]


def find_looks(
    con: duckdb.DuckDBPyConnection, before: datetime
) -> tuple[list[LimitRow], list[AlarmRow], datetime | None]:
    """Limits, alarms and last logged end that looks before a moment left, times ISO 8601; nothing of a look at it or later.

    So a look is the same however often it is repeated.
    """
    moment = _utc(before)
    looked = con.execute("SELECT max(looked) FROM drift_look WHERE looked < ?", [moment]).fetchone()
    alarms = [_as_of(row, moment) for row in _rows(con, "drift_alarm", ALARM) if row["signalled_at"] < moment]
    known = [row for row in alarms if looked and looked[0] and row["signalled_at"] <= looked[0]]
    limits = [cast(LimitRow, row) for row in _rows(con, "drift_limit", LIMIT) if row["quarter"] <= f"{moment:%Y-%m-%d}"]
    return limits, [_spoken(row) for row in known], looked[0].replace(tzinfo=UTC) if looked and looked[0] else None


def save_look(
    con: duckdb.DuckDBPyConnection,
    limits: Sequence[Mapping[str, Any]],
    alarms: Sequence[Mapping[str, Any]],
    looked: datetime,
) -> None:
    """Put what a look left in the place of what was left before, in one transaction; looks at later logs are forgotten."""
    with transaction(con):
        con.execute("DELETE FROM drift_look WHERE looked >= ?", [_utc(looked)])
        con.execute("INSERT INTO drift_look VALUES (?)", [_utc(looked)])
        _put(con, "drift_limit", LIMIT, [dict(row) for row in limits])
        _put(con, "drift_alarm", ALARM, [{**row} | {name: _moment(row[name]) for name in TIMES} for row in alarms])


def _put(con: duckdb.DuckDBPyConnection, table: str, names: tuple[str, ...], rows: list[Row]) -> None:
    con.execute(f"DELETE FROM {table}")
    if rows:
        marks = ", ".join("?" * len(names))
        con.executemany(
            f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})",
            [[row[name] for name in names] for row in rows],
        )


def _rows(con: duckdb.DuckDBPyConnection, table: str, names: tuple[str, ...]) -> list[Row]:
    rows = con.execute(f"SELECT {', '.join(names)} FROM {table} ORDER BY ALL").fetchall()
    return [dict(zip(names, row, strict=True)) for row in rows]


def _as_of(row: Row, moment: datetime) -> Row:
    """An alarm as it was before a moment: what ended at it or later still stood, what became known then was not known."""
    if row["ended_at"] and row["ended_at"] >= moment:
        row = row | {"ended_at": None, "ended_why": None}
    if row["known_since"] and row["known_since"] >= moment:
        row = row | dict.fromkeys(("known_since", "since", "since_low", "since_high", "change_pct"))
    return row


def _spoken(row: Row) -> AlarmRow:
    times = {name: row[name].replace(tzinfo=UTC).isoformat() if row[name] else None for name in TIMES}
    return cast(AlarmRow, row | times)


def _moment(text: str | None) -> datetime | None:
    return _utc(datetime.fromisoformat(text)) if text else None


def _utc(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(tzinfo=None)


NAMES = ("process", "stage", "since", "change_pct", "accepted_at", "note", "known_until", "undone_at")


class StoredAcceptance(Named):
    """A row of the table of accepted changes, times UTC without offset; since : day."""

    since: str
    change_pct: float | None
    accepted_at: datetime
    note: str
    known_until: datetime | None
    undone_at: datetime | None


def accept_change(
    con: duckdb.DuckDBPyConnection,
    process: str,
    stage: str,
    since: str,
    change_pct: float | None,
    known_until: datetime,
    note: str,
) -> None:
    """Keep an accepted change in the history.

    known_until : the last logged end, UTC: alarms up to then are accepted
    """
    con.execute(
        f"INSERT INTO accepted_change ({', '.join(NAMES)}) VALUES (?, ?, ?, ?, ?, ?, ?, NULL)",
        [process, stage, since, change_pct, _now(), note, known_until.astimezone(UTC).replace(tzinfo=None)],
    )


def find_accepted(con: duckdb.DuckDBPyConnection, undone: bool = False) -> list[StoredAcceptance]:
    """Accepted changes in order of acceptance; with ``undone`` those taken back too."""
    where = "" if undone else "WHERE undone_at IS NULL"
    rows = con.execute(f"SELECT {', '.join(NAMES)} FROM accepted_change {where} ORDER BY accepted_at")
    return [cast(StoredAcceptance, dict(zip(NAMES, row, strict=True))) for row in rows.fetchall()]


def undo_acceptance(con: duckdb.DuckDBPyConnection, process: str, stage: str) -> StoredAcceptance | None:
    """Take back the stage's last acceptance that stands; it stays in the history. None where there is none."""
    standing = [row for row in find_accepted(con) if (row["process"], row["stage"]) == (process, stage)]
    if not standing:
        return None
    con.execute(
        "UPDATE accepted_change SET undone_at = ? WHERE process = ? AND stage = ? AND accepted_at = ?",
        [_now(), process, stage, standing[-1]["accepted_at"]],
    )
    return standing[-1]


def _now() -> datetime:
    return datetime.now(UTC).replace(tzinfo=None)
