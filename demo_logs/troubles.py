"""From what was to what was written: the bench log's rows with the troubles of real logs, and a list of all of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from history import END, Lab, Run
from lab import FORGOTTEN_SHARE, HANDS, MACHINE_STAGES, MISSING_END_SHARE, ZONE, moment_of

SUM_DAYS = ("2026-06-29", "2026-07-12")  # in these weeks the powder bench wrote one row for all its work on a build
SUMMED = ("breakout", "part_cleaning", "blasting")
DATE_ONLY = ("SR", ("inspection", "packing", "sanding"), "2026-10-01")  # who notes minutes only, for what, until when
CORRECTED_MONTH = "2026-10"
REPEATED_MONTH = "2026-07"
HURRY_FROM, HURRY_MIN = "2026-08-17", 11
LONGEST_FORGOTTEN_MIN = 600.0
MISTYPED = 3  # starts that were mended as a second row


@dataclass
class Troubles:
    """Rows of the bench log by their start, and what is wrong with which of them."""

    rows: list[tuple[float, dict[str, Any]]] = field(default_factory=list)
    corrections: list[dict[str, Any]] = field(default_factory=list)
    faulty: list[tuple[str, dict[str, Any], str]] = field(default_factory=list)
    set_aside: list[dict[str, Any]] = field(default_factory=list)
    held: list[str] = field(default_factory=list)
    forgotten: list[dict[str, Any]] = field(default_factory=list)
    missing_ends: list[dict[str, Any]] = field(default_factory=list)
    doubled: list[dict[str, Any]] = field(default_factory=list)
    below_floor: dict[str, Any] = field(default_factory=dict)
    sums: int = 0
    date_only: int = 0
    found: int = 0
    shared: int = 0
    repeated_month: str = REPEATED_MONTH

    def truth(self) -> dict[str, Any]:
        repeated = sum(_day(start)[:7] == REPEATED_MONTH for start, _ in self.rows)
        return {
            "forgotten_timers": self.forgotten,
            "missing_ends": self.missing_ends,
            "sum_rows": self.sums,
            "date_only_rows": self.date_only,
            "found_ends": self.found,
            "shared_load_rows": self.shared,
            "overlapping_rows": self.doubled,
            "below_floor": self.below_floor,
            "corrections": len(self.corrections),
            "repeated_file": {"name": f"{REPEATED_MONTH}-bench (copy).csv", "rows": repeated},
            "held_rows": self.held,
            "set_aside": self.set_aside,
        }


def plant(lived: Lab, rng: np.random.Generator) -> Troubles:
    troubles = Troubles()
    summed = _plant_sums(troubles, lived.runs)
    for run in lived.runs:
        if run.stage not in MACHINE_STAGES and id(run) not in summed:
            _write(troubles, run, rng)
    _plant_hurry(troubles)
    _plant_doubles(troubles, rng)
    _plant_faulty(troubles, lived)
    return troubles


def bench_row(run: Run) -> dict[str, Any]:
    """A row as a careful person writes it."""
    b = run.builds[0]
    orders = list(dict.fromkeys(x.order for x in run.builds))
    row: dict[str, Any] = {
        "build_id": "" if run.by_order else "+".join(x.id for x in run.builds),
        "order_id": "+".join(orders) if run.by_order else "",
        "stage": run.stage,
        "started_at": _local(run.start),
        "ended_at": _local(max(run.end, run.start + 1)) if run.end < END else "",
        "station": run.station or b.machine,
        "operator": run.operator,
        "crew_size": 2 if run.operator == "crew-2" else None,
        "paused_min": run.paused or None,
        "touch_min": run.touch,
        "attempt": run.attempt if run.attempt > 1 else None,
        "ended_by": run.ended_by if run.end < END else "",
    }
    if run.stage in ("washing", "post_curing", "blasting", "inspection"):
        row["parts"] = sum(x.parts for x in run.builds)
    if run.stage == "inspection":
        row["parts_good"] = row["parts"] - (1 if row["parts"] > 6 and int(b.id[1:]) % 9 == 0 else 0)
    return row


def _write(troubles: Troubles, run: Run, rng: np.random.Generator) -> None:
    """One run, perhaps with a trouble; a corrected one is put right in the corrections."""
    row = bench_row(run)
    troubles.shared += len(run.builds) > 1 and not run.by_order
    troubles.found += row["ended_by"] == "found"
    chance = rng.random()
    who, stages, until = DATE_ONLY
    if run.stage in HANDS and run.end < END:
        if run.operator == who and run.stage in stages and _day(run.start) < until:
            row = _minutes_only(row, run.start, run.worked)
            troubles.date_only += 1
        elif chance < FORGOTTEN_SHARE:
            _forget_timer(troubles, run, row, rng)
        elif chance < FORGOTTEN_SHARE + MISSING_END_SHARE and run.stage != "packing":
            _lose_end(troubles, row)
    troubles.rows.append((run.start, row))


def _minutes_only(row: dict[str, Any], start: float, minutes: float) -> dict[str, Any]:
    times = {"date": _day(start), "work_min": round(minutes, 1), "started_at": "", "ended_at": "", "paused_min": None}
    return row | times


def _forget_timer(troubles: Troubles, run: Run, row: dict[str, Any], rng: np.random.Generator) -> None:
    right = dict(row)
    late = min(float(rng.uniform(4, 9)) * max(run.worked, 20), LONGEST_FORGOTTEN_MIN)
    row["ended_at"] = _local(min(run.end + late, END - 5))
    corrected = _correct(troubles, right)
    troubles.forgotten.append(_name(row) | {"worked_min": round(run.worked, 1), "corrected": corrected})


def _lose_end(troubles: Troubles, row: dict[str, Any]) -> None:
    right = dict(row)
    row["ended_at"] = ""
    troubles.missing_ends.append(_name(row) | {"corrected": _correct(troubles, right)})


def _correct(troubles: Troubles, right: dict[str, Any]) -> bool:
    """In one month somebody went through the log and put it right, in a file of its own."""
    if right["started_at"][:7] != CORRECTED_MONTH:
        return False
    troubles.corrections.append(right | {"note": "put right"})
    return True


def _plant_sums(troubles: Troubles, runs: list[Run]) -> set[int]:
    """One row for all work of the powder bench on a build, minutes only; returns the runs that it stands for."""
    by_build: dict[str, list[Run]] = {}
    for run in runs:
        if run.stage in SUMMED and SUM_DAYS[0] <= _day(run.start) <= SUM_DAYS[1] and len(run.builds) == 1:
            by_build.setdefault(run.builds[0].id, []).append(run)
    gone: set[int] = set()
    for found in by_build.values():
        if len(found) < 2:
            continue
        row = bench_row(found[0]) | {"stage": "+".join(run.stage for run in found), "parts": None}
        row = _minutes_only(row, found[0].start, sum(run.worked for run in found))
        troubles.rows.append((found[0].start, row))
        troubles.sums += 1
        gone.update(id(run) for run in found)
    return gone


def _plant_hurry(troubles: Troubles) -> None:
    """One curing that was cut short, below the data sheet's floor."""
    start, row = next((t, r) for t, r in troubles.rows if r["stage"] == "post_curing" and _day(t) >= HURRY_FROM)
    row.update(ended_at=_local(start + HURRY_MIN), ended_by="person", note="hurried")
    troubles.below_floor = _name(row) | {"minutes": HURRY_MIN}


def _plant_doubles(troubles: Troubles, rng: np.random.Generator) -> None:
    """A start that was mistyped and mended as a second row: both stand in the log and overlap."""
    long = [
        (start, row)
        for start, row in troubles.rows
        if row["stage"] == "support_removal" and _lasts_over_half_an_hour(row)
    ]
    for place in sorted(rng.choice(len(long), MISTYPED, replace=False)):
        start, row = long[int(place)]
        mended = row | {"started_at": _local(start + 4)}
        troubles.rows.append((start + 4, mended))
        troubles.doubled.append(_name(mended))


def _lasts_over_half_an_hour(row: dict[str, Any]) -> bool:
    start, end = row["started_at"], row["ended_at"]
    return start[:10] == end[:10] != "" and not row["paused_min"] and _minute(end) - _minute(start) > 30


def _plant_faulty(troubles: Troubles, lived: Lab) -> None:
    """Rows that nothing can be learned from, each with its reason, and two whose build does not exist."""
    ids = [b.id for b in lived.builds]
    good = {"station": "bench-2", "operator": "DK"}
    troubles.faulty += [
        ("2026-06", good | {"build_id": ids[20], "stage": "sanding", "date": "2026-06-10", "work_min": -35},
         "negative minutes"),
        ("2026-06", good | {"stage": "packing", "date": "2026-06-11", "work_min": 12}, "no build and no order"),
        ("2026-08", good | {"build_id": ids[160], "stage": "post_cureing", "started_at": "2026-08-12T10:00",
         "ended_at": "2026-08-12T10:45"}, "unknown stage"),
        ("2026-08", good | {"build_id": ids[161], "stage": "inspection", "started_at": "2026-08-13T11:30",
         "ended_at": "2026-08-13T11:02"}, "end before start"),
        ("2026-09", good | {"build_id": ids[210], "stage": "packing", "date": "2026-09-31", "work_min": 15},
         "no such day"),
        ("2026-09", good | {"build_id": ids[211], "stage": "packing", "date": "2026-09-17", "work_min": "half an hour"},
         "not a number"),
    ]  # fmt: skip
    for wrong in (ids[120].replace("0", "O", 1), "B1240"):
        row = good | {"build_id": wrong, "stage": "packing", "date": "2026-10-06", "work_min": 14}
        start = next(start for start, other in troubles.rows if other["started_at"][:10] == "2026-10-06")
        troubles.rows.append((start, row))
        troubles.held.append(wrong)


def _name(row: dict[str, Any]) -> dict[str, Any]:
    return {name: row[name] for name in ("build_id", "order_id", "stage", "started_at", "station")}


def _local(minutes: float) -> str:
    return moment_of(minutes).astimezone(ZONE).strftime("%Y-%m-%dT%H:%M")


def _day(minutes: float) -> str:
    return _local(minutes)[:10]


def _minute(stamp: str) -> int:
    return 60 * int(stamp[11:13]) + int(stamp[14:16])
