"""A stream of MTConnect (an open standard, XML): execution states of a machine -> printing runs with pauses."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from calib.errors import LogFileError
from calib.logs.text_file import Row
from calib.logs.words import library_says

NAMES = ("build_id", "stage", "started_at", "ended_at", "station", "paused_min", "outcome", "ended_by", "note")
LOST = "UNAVAILABLE"  # nothing is known of the machine until the next state
RUNNING = {"ACTIVE"}
PAUSED = {
    "INTERRUPTED", "FEED_HOLD", "PROGRAM_OPTIONAL_STOP", "OPTIONAL_STOP", "WAIT", "PROGRAM_STOPPED",
}  # fmt: skip
ENDED = {"READY": "done", "PROGRAM_COMPLETED": "done", "STOPPED": "stopped"}
SIZE_LIMIT = 1 << 28
LONGEST_SEQUENCE = 20  # digits: the standard's sequences have 64 bits
SPAN = "sender {}: observations kept from {}, next {}"


def stream_rows(path: Path, shown: str) -> tuple[tuple[str, ...], list[Row], tuple[str, ...]]:
    """Runs of all machines of a stream, in our columns, and what is to be noted of it; the program is the build's id.

    Execution states of MTConnect part 3: a run begins with ACTIVE, interruptions and holds are pauses, it ends with READY,
    PROGRAM_COMPLETED (done) or STOPPED (stopped). Raises LogFileError for any other document, and where no state is in it.
    """
    if path.stat().st_size > SIZE_LIMIT:
        raise LogFileError(f"{shown} is larger than 256 MB.", "Ask the machine for shorter spans.")
    root = _parsed(path, shown)
    if not root.tag.endswith("MTConnectStreams"):
        raise LogFileError(
            f"{shown} is XML, but no MTConnectStreams document.", "Save the answer to a 'sample' or 'current' request."
        )
    rows: list[Row] = []
    for device in root.iter():
        if device.tag.rpartition("}")[2] == "DeviceStream":
            rows += _device_rows(device, len(rows))
    if not rows:
        raise LogFileError(
            f"{shown} holds no Execution states, so no run can be found.", "Include Execution in the path."
        )
    return NAMES, rows, _span(root)


def _span(root: Any) -> tuple[str, ...]:
    """Which observations the stream's sender kept then, and which is next: another stream of its shows what lies between."""
    for header in root:
        numbers = [header.get(name, "") for name in ("instanceId", "firstSequence", "nextSequence")]
        if header.tag.rpartition("}")[2] == "Header" and all(
            number.isdecimal() and len(number) <= LONGEST_SEQUENCE for number in numbers
        ):
            return (SPAN.format(*numbers),)
    return ()


def _parsed(path: Path, shown: str) -> Any:
    from defusedxml import ElementTree
    from defusedxml.common import DefusedXmlException

    _refuse_page(path, shown)
    try:
        return ElementTree.parse(str(path), forbid_dtd=True).getroot()
    except DefusedXmlException as error:
        raise LogFileError(f"{shown} declares entities or a document type; such XML is not read.", "") from error
    except (ElementTree.ParseError, ValueError, LookupError) as error:
        raise LogFileError(f"{shown} is damaged XML: {library_says(error)}.", "Save it again.") from error


def _refuse_page(path: Path, shown: str) -> None:
    with path.open("rb") as opened:
        start = opened.read(400).lower()
    if b"<title>bench card</title>" in start:
        raise LogFileError(
            f"{shown} is the bench card: a page to print and to fill in by pen.",
            "Copy what was written on it into templates/logs.xlsx or templates/stages.csv, and import that file.",
        )
    if b"<html" in start or b"<!doctype html" in start:
        raise LogFileError(f"{shown} is a web page, not a log.", "Save the table in it as CSV, or as a workbook.")


def _device_rows(device: Any, rows_before: int) -> Iterator[Row]:
    name = device.get("name") or device.get("uuid") or "machine"
    states, programs = _observations(device)
    times = [moment for moment, _ in programs]
    for count, run in enumerate(_runs(states), 1):
        start, end, paused, outcome, lost = run
        before, first = bisect_right(times, start), programs[:1]
        program = (
            programs[before - 1][1] if before else next((v for moment, v in first if end is None or moment <= end), "")
        )
        cells = [
            program, "printing", start.isoformat(), end.isoformat() if end else "", name, f"{paused:g}", outcome,
            "machine" if end else "", f"no connection for {lost:.0f} min of it" if lost else "",
        ]  # fmt: skip
        yield Row(rows_before + count, cells, "" if program else "names no Program, so its build is not known")


def _observations(device: Any) -> tuple[list[tuple[datetime, str]], list[tuple[datetime, str]]]:
    """Execution states and program names, each in order of time."""
    states: list[tuple[datetime, str]] = []
    programs: list[tuple[datetime, str]] = []
    for item in device.iter():
        kind = item.tag.rpartition("}")[2]
        if kind not in ("Execution", "Program"):
            continue
        try:
            moment = datetime.fromisoformat(item.get("timestamp", ""))
        except ValueError:
            continue
        value = (item.text or "").strip()
        if value and (kind == "Execution" or value != LOST):
            (states if kind == "Execution" else programs).append((moment, value))
    if len({moment.tzinfo is None for moment, _ in (*states, *programs)}) == 2:
        states, programs = _all_with_offset(states), _all_with_offset(programs)
    return sorted(states), sorted(programs)


def _all_with_offset(stamps: list[tuple[datetime, str]]) -> list[tuple[datetime, str]]:
    """Where some have an offset, those without are UTC, as the standard wants all of them."""
    return [(moment if moment.tzinfo else moment.replace(tzinfo=UTC), value) for moment, value in stamps]


def _runs(states: list[tuple[datetime, str]]) -> Iterator[tuple[datetime, datetime | None, float, str, float]]:
    """Start, end (None while running), paused minutes, outcome, minutes without connection.

    >>> at = lambda minute: datetime(2026, 1, 5, 8, minute)
    >>> list(_runs([(at(0), "ACTIVE"), (at(10), "INTERRUPTED"), (at(15), "ACTIVE"), (at(40), "READY")]))
    [(datetime.datetime(2026, 1, 5, 8, 0), datetime.datetime(2026, 1, 5, 8, 40), 5.0, 'done', 0.0)]
    """
    start: datetime | None = None
    hold: datetime | None = None
    gone: datetime | None = None
    paused = lost = timedelta()
    for moment, state in states:
        if gone is not None:
            lost, gone = lost + (moment - gone), None
        if state == LOST:
            gone = moment if start is not None else None
        elif state in RUNNING:
            if start is None:
                start, paused, lost = moment, timedelta(), timedelta()
            elif hold is not None:
                paused += moment - hold
            hold = None
        elif state in PAUSED and start is not None:
            hold = hold or moment
        elif state in ENDED and start is not None:
            if hold is not None and state != "READY":
                paused += moment - hold
            yield start, moment, _minutes(paused), ENDED[state], _minutes(lost)
            start = hold = None
    if start is not None:
        yield start, None, _minutes(paused), "", _minutes(lost)


def _minutes(span: timedelta) -> float:
    return span.total_seconds() / 60
