"""Taps at the bench -> rows of a log of stages, which come in as any log does: a pure fold, then an import."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from calib.documents.logs import ImportDocument
from calib.errors import UsageError
from calib.logs.columns import KINDS
from calib.results import written_beside
from calib.shop.read_shop import read_shop
from calib.store import known_people
from calib.store.open_store import open_store
from calib.store.people import learn_names, without_names
from calib.workflow.import_logs import import_logs

BUILD_COLUMNS = tuple(column.name for column in KINDS["builds"])

DayLogs = dict[str, list[dict[str, Any]]]  # name of a log -> its rows
LOGS = "logs"  # folder of a shop in which the rows of the bench are kept, as those of any log
WHATS = ("start", "stop", "earlier", "found", "failed", "note", "undo")
ENDS = ("stop", "earlier", "found", "failed")
COLUMNS = (
    "run_id", "build_id", "order_id", "stage", "started_at", "ended_at", "station", "operator", "outcome", "attempt", "ended_by", "note",
)  # fmt: skip


@dataclass(frozen=True)
class Tap:
    """One tap, as it is kept.

    id : made by the browser; the same id is the same tap, however often it is sent
    what : one of WHATS
    at : when it happened, by the server's clock [ISO 8601, UTC]
    run : of the run that it is about: the id of the tap that started it, or the key of one that a file logged
    ended_at : of what stopped earlier
    of : the tap that is undone
    logged : of a run that a file logged: its columns as they are stored
    plan : of the first tap on a build of an accepted quote: its row of builds
    by : whose page it came from, a digest
    """

    id: str
    what: str
    at: str
    run: str = ""
    build_id: str = ""
    stage: str = ""
    station: str = ""
    attempt: int = 1
    operator: str = ""
    note: str = ""
    ended_at: str = ""
    of: str = ""
    logged: dict[str, Any] = field(default_factory=dict)
    plan: dict[str, Any] = field(default_factory=dict)
    by: str = ""

    def document(self) -> dict[str, Any]:
        return {name: value for name, value in asdict(self).items() if value not in ("", {}, None)}


@dataclass(frozen=True)
class Run:
    """A run as the taps have it; taps : their ids, the undone ones left out; undone : how many of its taps were taken back;
    changed_at : when the last of its taps was, an undo among them."""

    key: str
    build_id: str
    stage: str
    started_at: str
    station: str = ""
    operator: str = ""
    attempt: int = 1
    run_id: str = ""
    ended_at: str = ""
    outcome: str = ""
    ended_by: str = ""
    note: str = ""
    order_id: str = ""
    taps: tuple[str, ...] = ()
    undone: int = 0
    changed_at: str = ""

    @property
    def is_open(self) -> bool:
        return not self.ended_at and self.outcome != "void"

    def rows(self) -> list[dict[str, Any]]:
        """Its row, and a void one for each that was taken back: what an older row said is never said again."""
        own = {name: getattr(self, name) for name in COLUMNS}
        if not self.undone:
            return [own]
        void = {**own, "ended_at": own["ended_at"] or "", "outcome": "void"}
        ids = [self.run_id, *(f"{self.key}~{number}" for number in range(1, self.undone))]
        return [
            *({**void, "run_id": name} for name in ids),
            {**own, "run_id": f"{self.key}~{self.undone}"},
        ]


def fold(taps: Iterable[Tap], known: Mapping[str, Run] = MappingProxyType({})) -> dict[str, Run]:
    """The runs that taps tell of, by the id of their first tap or the key under which they were logged.

    known : runs as earlier taps had them, which none of these undoes
    """
    taps = list(taps)
    undone = {tap.of: tap.at for tap in taps if tap.what == "undo"}
    runs = dict(known)
    for tap in taps:
        if tap.what == "start":
            runs[tap.id] = Run(
                tap.id, tap.build_id, tap.stage, tap.at, tap.station, tap.operator, tap.attempt, tap.id, note=tap.note,
                changed_at=undone.get(tap.id, tap.at),
            )  # fmt: skip
            if tap.id in undone:
                runs[tap.id] = replace(runs[tap.id], outcome="void", ended_at="")
        elif tap.what != "undo":
            if tap.run not in runs and tap.logged:
                runs[tap.run] = Run(tap.run, **tap.logged)
            if tap.run in runs:
                runs[tap.run] = _told(runs[tap.run], tap, undone.get(tap.id))
    return runs


def _told(run: Run, tap: Tap, undone_at: str | None) -> Run:
    if undone_at:
        return replace(run, undone=run.undone + 1, changed_at=max(run.changed_at, undone_at))
    run = replace(run, taps=(*run.taps, tap.id), changed_at=max(run.changed_at, tap.at))
    if tap.note:
        run = replace(run, note="; ".join(filter(None, (run.note, tap.note))))
    if tap.what not in ENDS or run.outcome == "void":
        return run
    return replace(
        run,
        ended_at=tap.ended_at or max(tap.at, _a_second_after(run.started_at)),
        outcome="failed" if tap.what == "failed" else "done",
        ended_by="found" if tap.what == "found" else "person",
    )


def _a_second_after(moment: str) -> str:
    """The least that a run takes: two taps may fall into one second."""
    return (datetime.fromisoformat(moment) + timedelta(seconds=1)).isoformat(timespec="seconds")


def logs_of_taps(runs: Mapping[str, Run], taps: Iterable[Tap], before: Mapping[str, Run], timezone: str) -> DayLogs:
    """Rows of the logs of those days on which a run began that is not as it was before; a build's row goes with its first run.

    runs, before : by key, as taps have them now and had them when they were last imported
    """
    zone = ZoneInfo(timezone)
    days = {
        _day(run.started_at, zone)
        for key, run in runs.items()
        if (known := before.get(key)) is not run and known != run
    }
    logs: DayLogs = {}
    for tap in taps if days else ():
        if tap.plan and (day := _day(tap.at, zone)) in days:
            logs.setdefault(f"bench-builds-{day}.csv", []).append(_build_row(tap))
    for run in runs.values() if days else ():
        if (day := _day(run.started_at, zone)) in days:
            logs.setdefault(f"bench-{day}.csv", []).extend(run.rows())
    return logs


def import_taps(folder: Path, logs: DayLogs) -> ImportDocument | None:
    """Write the logs of some days and import them; the ``import`` document (docs/interface.md), None of no day."""
    (folder / LOGS).mkdir(exist_ok=True)
    paths = [folder / LOGS / name for name in sorted(logs)]
    for path in paths:
        with written_beside(path) as beside:
            beside.write_text(_csv(logs[path.name]), encoding="utf-8")
    return import_logs(folder, paths) if paths else None


@lru_cache(1 << 16)  # of each run of the journal, whenever one of them changed
def _day(moment: str, zone: ZoneInfo) -> str:
    return datetime.fromisoformat(moment).astimezone(zone).date().isoformat()


def _build_row(tap: Tap) -> dict[str, Any]:
    known = {name: value for name, value in tap.plan.items() if name in BUILD_COLUMNS}
    return {**known, "build_id": tap.build_id, "parts": max(1, round(float(known.get("parts", 1))))}


def _csv(rows: Sequence[Mapping[str, Any]]) -> str:
    out = io.StringIO(newline="")
    names = list(dict.fromkeys(name for row in rows for name in row))
    writer = csv.DictWriter(out, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def alias_for(folder: Path, name: str) -> str:
    """What stands for a person at the bench by the shop's rule for names; '' where it keeps none."""
    mode = read_shop(folder).people_names
    if mode == "off" or not name:
        return ""
    if mode == "named":
        return name
    with open_store(folder) as store:
        return learn_names(store, [name])[name]


def is_alias(name: str) -> bool:
    return known_people.is_alias(name)


def plain_note(folder: Path, note: str) -> str:
    """A note with the people that the store knows hidden by the shop's rule for names."""
    if not note:
        return ""
    with open_store(folder) as store:
        return without_names(store, note, read_shop(folder).people_names)


def check_tap(tap: Tap, runs: Mapping[str, Run]) -> None:
    """Raises UsageError where a tap cannot be: of a run that is not known or has ended, or an undo of what is not the last."""
    if tap.what == "start":
        return
    if tap.what == "undo":
        if not any(run.taps[-1:] == (tap.of,) or (not run.taps and run.key == tap.of) for run in runs.values()):
            raise UsageError("That tap is not the last of its run any more.", "Undo the later one first.")
        return
    run = runs.get(tap.run)
    if run is None:
        raise UsageError("The run that this is about is not known here.", "Look at its build, and log it from there.")
    if tap.what in ENDS and not run.is_open:
        raise UsageError(f"{run.stage.replace('_', ' ')} of {run.build_id} has ended already.", "Nothing was changed.")
    if tap.ended_at and tap.ended_at <= run.started_at:
        raise UsageError(
            f"{run.stage.replace('_', ' ')} of {run.build_id} would end before it began.", "Give a later time."
        )
