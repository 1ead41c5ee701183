"""What a person should know of logs that are right as far as rules go: odd names, gaps, silent machines, rows that wait."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from itertools import pairwise

import duckdb

from calib.documents.logs import ImportedFile, LastLog
from calib.documents.week import Health
from calib.logs.mtconnect import SPAN
from calib.logs.words import strange_names
from calib.spelling import spelled_alike
from calib.store.review import count_review

TIMES_USUAL_GAP = 3.0
LEAST_SILENCE_DAYS = 7.0


def find_health(con: duckdb.DuckDBPyConnection) -> Health:
    """silent_machines, and numbers of rows set aside ('quarantined'), held, and to confirm."""
    row = con.execute(
        "SELECT (SELECT count(DISTINCT reject_id) FROM quarantine WHERE state = 'open'), "
        "(SELECT count(*) FROM stage_run WHERE held)"
    ).fetchone()
    set_aside, held = row or (0, 0)
    return {
        "silent_machines": silent_machines(con),
        "quarantined": set_aside,
        "held": held,
        "to_confirm": count_review(con)[0],
    }


def last_logs(con: duckdb.DuckDBPyConnection) -> list[LastLog]:
    """The day of the last log of each machine: machine, last."""
    rows = con.execute(
        "SELECT b.machine, max(coalesce(s.ended_at, s.started_at))::DATE AS last FROM stage_run s "
        "JOIN build b ON s.build_id = b.build_id GROUP BY b.machine HAVING last IS NOT NULL ORDER BY b.machine"
    ).fetchall()
    return [{"machine": machine, "last": str(last)} for machine, last in rows]


def silent_machines(con: duckdb.DuckDBPyConnection) -> list[LastLog]:
    """Machines silent for over a week and three times their usual longest tenth of gaps, up to the last log of all."""
    rows = con.execute(
        """WITH days AS (
            SELECT DISTINCT b.machine, coalesce(s.ended_at, s.started_at)::DATE AS day
            FROM stage_run s JOIN build b ON s.build_id = b.build_id
            WHERE s.stage = 'printing' AND coalesce(s.ended_at, s.started_at) IS NOT NULL
        ), gaps AS (
            SELECT machine, day, day - lag(day) OVER (PARTITION BY machine ORDER BY day) AS gap FROM days
        ), usual AS (
            SELECT machine, max(day) AS last, quantile_cont(gap, 0.9) AS gap, count(gap) AS n FROM gaps GROUP BY machine
        )
        SELECT machine, last FROM usual
        WHERE n >= 5 AND (SELECT max(day) FROM days) - last > greatest(?, ? * gap) ORDER BY machine""",
        [LEAST_SILENCE_DAYS, TIMES_USUAL_GAP],
    ).fetchall()
    return [{"machine": machine, "last": str(last)} for machine, last in rows]


def warnings_of(
    con: duckdb.DuckDBPyConnection,
    known: Mapping[str, Mapping[str, str]],
    files: Iterable[ImportedFile],
    odd: Mapping[str, int],
    stations: Collection[str] = (),
) -> list[str]:
    """Sentences.

    known : 'machine', 'material' -> id -> process of those that the shop file has; what is missing is not looked at
    stations : ids of the shop file's stations and machines
    odd : how many local times exist 'twice', and how many are 'missing'
    """
    return [
        *(sentence for column, ids in known.items() for sentence in _name_warnings(con, column, ids)),
        *_station_warnings(con, stations),
        *_file_warnings(files),
        *_clock_warnings(odd),
        *_gap_warnings(con),
        *_infill_warnings(con),
    ]


def _name_warnings(con: duckdb.DuckDBPyConnection, column: str, known: Mapping[str, str]) -> Iterator[str]:
    rows = con.execute(
        f"SELECT {column}, process, count(*), min(build_id) FROM build WHERE {column} IS NOT NULL GROUP BY ALL ORDER BY ALL"
    )
    return strange_names(column, rows.fetchall(), known)


def _station_warnings(con: duckdb.DuckDBPyConnection, known: Collection[str]) -> Iterator[str]:
    for (name,) in con.execute(
        "SELECT DISTINCT station FROM stage_run WHERE station IS NOT NULL ORDER BY ALL"
    ).fetchall():
        if (own := spelled_alike(name, known)) not in (name, None):
            yield f'Station "{name}" is read as {own}.'


def _infill_warnings(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """How a fill of 1, or above, was read in the builds of the last import: a share, where it could be per cent."""
    rows = con.execute(
        "SELECT infill > 1 AS per_cent, count(*), min(build_id), arg_min(infill, build_id) FROM build"
        " JOIN log_file USING (file_id) WHERE infill >= 1 AND import_id = (SELECT max(import_id) FROM log_import)"
        " GROUP BY ALL ORDER BY ALL"
    )
    for per_cent, number, build, fill in rows.fetchall():
        read = f"{fill:g} %, written {fill / 100:g}" if per_cent else "solid; 1 % is written 0.01"
        yield f"infill {fill:g} of build {build}{_and_more(number)} is read as {read}."


def _and_more(number: int) -> str:
    return f" and {number - 1} more" if number > 1 else ""


def _gap_warnings(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """Streams of one sender, one of them of the last import, between which its buffer ran over.

    MTConnect, part 1: ``firstSequence`` is the oldest observation in the buffer, ``nextSequence`` the one to ask for next.
    """
    rows = con.execute(
        "SELECT import_id = (SELECT max(import_id) FROM log_import), name, unnest(notes) AS note FROM log_file "
        "JOIN log_import USING (import_id) WHERE taken_back_at IS NULL"
    ).fetchall()
    spans: dict[str, list[tuple[int, int, bool, str]]] = {}
    for is_new, name, note in rows:
        if span := _SPAN.fullmatch(note):
            spans.setdefault(span[1], []).append((int(span[3]), int(span[2]), is_new, name))
    for of_sender in spans.values():
        for (kept_next, _, new_before, before), (_, first, new_after, after) in pairwise(sorted(of_sender)):
            if first > kept_next and (new_before or new_after):
                yield (
                    f"Between {before} and {after} {first - kept_next} observations are lost: the sender's buffer ran over. "
                    "Runs in between may lack; ask it more often."
                )


_SPAN = re.compile(SPAN.format(*[r"(\d+)"] * 3))


def _file_warnings(files: Iterable[ImportedFile]) -> Iterator[str]:
    """Notes and columns of each file; of one that two mappings have read, the columns that neither of them names."""
    by_path: dict[str, list[ImportedFile]] = {}
    for file in files:
        by_path.setdefault(file["path"], []).append(file)
    for path, read in by_path.items():
        notes = dict.fromkeys(note for file in read for note in file.get("notes", ()))
        yield from (f"{path}: {note}." for note in notes if not _SPAN.fullmatch(note))
        first, *others = (file["kept_columns"] for file in read)
        if kept := [name for name in first if all(name in other for other in others)]:
            yield f"{path}: columns that calib does not know were kept untouched: {', '.join(kept)}."


def _clock_warnings(odd: Mapping[str, int]) -> Iterator[str]:
    for kind, single, several, what in (
        ("twice", "local time exists twice", "local times exist twice", "(the clock went back): the first was taken"),
        (
            "missing",
            "local time does not exist",
            "local times do not exist",
            "(the clock went forward): moved on by the gap",
        ),
    ):
        if odd.get(kind):
            yield f"{odd[kind]} {single if odd[kind] == 1 else several} {what}."
