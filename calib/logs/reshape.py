"""Other shapes of logs into one row for each run: rows of starts and stops, and sheets with a pair of columns a stage."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from calib.logs.shapes import shape_of
from calib.logs.text_file import Row


@dataclass(frozen=True)
class StartStop:
    """A log with one row for each start, stop, pause or resumption.

    event : their column of what happened
    at : their columns of when, joined by a space when several
    start, stop, pause, resume : their words
    same : their columns that tell which run it is (build, stage, station ...)
    """

    event: str
    at: tuple[str, ...]
    same: tuple[str, ...]
    start: tuple[str, ...]
    stop: tuple[str, ...]
    pause: tuple[str, ...] = ()
    resume: tuple[str, ...] = ()

    @property
    def words(self) -> dict[str, tuple[str, ...]]:
        return {"start": self.start, "stop": self.stop, "pause": self.pause, "resume": self.resume}

    @property
    def names(self) -> tuple[str, ...]:
        return (self.event, *self.at, *self.same)


@dataclass(frozen=True)
class Wide:
    """A sheet with one row for each build.

    stages : our stage -> their column of the start and their column of the end, or the one of minutes
    date : their column of the day, needed where only minutes or times of day stand there
    """

    stages: dict[str, tuple[str, ...]] = field(default_factory=dict)
    date: str = ""

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(name for names in self.stages.values() for name in names) + ((self.date,) if self.date else ())


def runs_of_events(
    layout: StartStop, names: tuple[str, ...], rows_in: Iterable[Row], stamp: Callable[[str, str], str]
) -> tuple[tuple[str, ...], list[Row]]:
    """One row for each start with its stop; a start without one has no end, a stop without a start is a fault."""
    place = {name: number for number, name in enumerate(names)}
    kept = tuple(name for name in names if name not in (layout.event, *layout.at))

    def at_of(row: Row) -> str:
        return stamp(" ".join(row.cells[place[name]].strip() for name in layout.at if name in place), "at")

    words = {word.lower(): what for what, known in layout.words.items() for word in known}
    rows: list[Row] = []
    open_runs: dict[tuple[str, ...], tuple[Row, list[tuple[str, str]]]] = {}
    for moment, row in sorted(((at_of(row), row) for row in rows_in), key=lambda pair: pair[0]):
        word = row.cells[place[layout.event]].strip() if layout.event in place else ""
        what = words.get(word.lower())
        key = tuple(row.cells[place[name]].strip() for name in layout.same if name in place)
        if what == "start" and key in open_runs and open_runs[key][1][-1][0] == "pause":
            what = "resume"  # a start after a pause goes on with the same run
        if what == "start":
            if key in open_runs:
                rows.append(_run(*open_runs.pop(key), "", kept, place))
            open_runs[key] = (row, [("start", moment)])
        elif key in open_runs and what in ("pause", "resume"):
            open_runs[key][1].append((what, moment))
        elif key in open_runs and what == "stop":
            rows.append(_run(*open_runs.pop(key), moment, kept, place))
        else:
            cells = [row.cells[place[name]] for name in kept]
            fault = f'"{word}" without a start before it' if what else f'"{word}" is no word for a start or stop'
            rows.append(Row(row.line, [*cells, "", moment, ""], fault))
    rows += [_run(first, marks, "", kept, place) for first, marks in open_runs.values()]
    return (*kept, "started_at", "ended_at", "paused_min"), sorted(rows, key=lambda row: row.line)


def _run(row: Row, marks: list[tuple[str, str]], end: str, kept: tuple[str, ...], place: dict[str, int]) -> Row:
    cells = [row.cells[place[name]] for name in kept]
    return Row(row.line, [*cells, marks[0][1], end, _paused(marks, end)], row.fault)


def _paused(marks: list[tuple[str, str]], end: str) -> str:
    """Minutes between each pause and the resumption, or the end, after it."""
    from datetime import datetime

    minutes, since = 0.0, ""
    for what, moment in [*marks, ("resume", end)]:
        try:
            if what == "pause" and not since:
                since = moment
            elif what == "resume" and since and moment:
                gap = datetime.fromisoformat(moment) - datetime.fromisoformat(since)
                minutes, since = minutes + gap.total_seconds() / 60, ""
        except (ValueError, TypeError):
            return ""
    return f"{minutes:.10g}" if len(marks) > 1 else ""


def runs_of_wide(
    layout: Wide, names: tuple[str, ...], rows: Iterable[Row], minutes: Callable[[str, str], str]
) -> tuple[tuple[str, ...], Iterator[Row]]:
    """One row for each stage that has anything in its columns.

    minutes : of a stage and the text of its duration
    """
    place = {name: number for number, name in enumerate(names)}
    kept = tuple(name for name in names if name not in layout.names)
    return (*kept, "stage", "started_at", "ended_at", "work_min", "date"), _long(layout, place, kept, rows, minutes)


def _long(
    layout: Wide, place: dict[str, int], kept: tuple[str, ...], rows: Iterable[Row], minutes: Callable[[str, str], str]
) -> Iterator[Row]:
    for row in rows:
        cells = [row.cells[place[name]] for name in kept]
        day = row.cells[place[layout.date]].strip() if layout.date in place else ""
        for stage, theirs in layout.stages.items():
            texts = [row.cells[place[name]].strip() if name in place else "" for name in theirs]
            if not any(texts):
                continue
            if len(texts) == 1:
                yield Row(row.line, [*cells, stage, "", "", minutes(stage, texts[0]), day], row.fault)
            else:
                start, end = (f"{day} {text}" if day and shape_of(text) == "clock" else text for text in texts)
                yield Row(row.line, [*cells, stage, start, end, "", ""], row.fault)
