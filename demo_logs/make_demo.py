"""Write the invented lab: ``python demo_logs/make_demo.py [FOLDER]``. The same bytes every time.

Parts, half a year of logs with the troubles that real logs have, a plan to predict, and the truth that was planted.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import lab
import numpy as np
from history import END, Lab, Run, live, make_build
from lab import MACHINE_STAGES, MACHINES, SEED, ZONE, Build, moment_of, nominal_minutes
from meshes import write_parts
from troubles import Troubles, plant
from write_shop import shop_text

BUILD_COLUMNS = (
    "build_id", "process", "machine", "parts", "material", "material_lot", "fresh_share", "layer_mm", "part_file",
    "part_volume_cm3", "part_area_cm2", "support_volume_cm3", "support_contact_cm2", "height_mm", "packed_volume_cm3",
    "announced_min", "material_g", "layers", "infill", "difficulty", "finish", "planned", "order_id",
)  # fmt: skip
BENCH_COLUMNS = (
    "build_id", "order_id", "stage", "started_at", "ended_at", "date", "work_min", "station", "operator", "crew_size",
    "paused_min", "touch_min", "parts", "parts_good", "outcome", "attempt", "ended_by", "note",
)  # fmt: skip
MACHINE_COLUMNS = (
    "run_id", "build_id", "stage", "station", "started_at", "ended_at", "ended_by", "outcome", "attempt",
)  # fmt: skip
ITEM_COLUMNS = ("build_id", "order_id", "part_file", "qty", "qty_good", "finish")
EVENT_COLUMNS = ("at", "machine", "station", "what", "note")
TRADE_WORDS = {"MEX": "FFF", "VPP": "sla", "PBF": "SLS"}
TRADE_WORDS_UNTIL = "2026-06"  # the first months were written with the trade's own words
DENSITY = {"petg": 1.27, "asa": 1.07, "tough_resin": 1.13, "clear_resin": 1.16, "pa12": 0.98, "pa11": 1.03}
PLAN_BUILDS = 200
EVENTS = (
    ("2026-06-15T09:10", "", "wash-1", "fresh solvent", ""),
    ("2026-07-13T10:00", "ext-2", "", "firmware", "no change of speeds noticed"),
    ("2026-08-03T08:40", "", "wash-1", "fresh solvent", ""),
    (f"{lab.STEP_EVENT_DATE}T11:20", "", "cure-1", "lamp measured", "weaker than when new; cycles were set longer"),
    ("2026-10-05T08:30", "", "wash-1", "fresh solvent", ""),
    ("2026-10-19T13:00", "ext-3", "", "new nozzle", ""),
)


def main(folder: Path) -> None:
    designs = write_parts(folder / "parts")
    lived = live(designs)
    troubles = plant(lived, np.random.default_rng([SEED, 3]))
    logs = folder / "logs"
    logs.mkdir(parents=True, exist_ok=True)
    write_builds(logs, lived, troubles)
    write_machines(logs, lived.runs)
    write_bench(logs, troubles)
    write_csv(logs / "items.csv", ITEM_COLUMNS, item_rows(lived))
    write_csv(logs / "events.csv", EVENT_COLUMNS, [dict(zip(EVENT_COLUMNS, row, strict=True)) for row in EVENTS])
    write_plan(folder / "plan.csv", designs)
    (folder / "shop.toml").write_text(shop_text(), encoding="utf-8", newline="\n")
    write_truth(folder / "truth.json", lived, troubles)


def write_csv(path: Path, columns: tuple[str, ...], rows: Iterable[dict[str, Any]]) -> None:
    """RFC 4180 without quotes: no cell of this lab needs them."""
    lines = [",".join(columns)]
    for row in rows:
        cells = [text(row.get(name)) for name in columns]
        assert not any(mark in cell for cell in cells for mark in ',"\n'), row
        lines.append(",".join(cells))
    path.write_bytes(("\r\n".join(lines) + "\r\n").encode())


def text(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, float) and abs(value) < 1e5 else str(value)


def month_of(minutes: float) -> str:
    return moment_of(minutes).astimezone(ZONE).strftime("%Y-%m")


def local(minutes: float) -> str:
    return moment_of(minutes).astimezone(ZONE).strftime("%Y-%m-%dT%H:%M")


def build_row(b: Build, rng: np.random.Generator) -> dict[str, Any]:
    """What was noted of a build; not everybody notes everything."""
    row: dict[str, Any] = {
        "build_id": b.id, "process": b.process, "machine": b.machine, "parts": b.parts, "material": b.material,
        "layer_mm": b.layer_mm, "part_file": b.part_file, "finish": b.finish, "order_id": b.order,
        "difficulty": "" if b.difficulty == "normal" else b.difficulty,
        "material_lot": f"L{26000 + int(b.arrives // 30000)}" if b.process != "MEX" else "",
        "fresh_share": float(rng.choice([0.3, 0.4, 0.5])) if b.process == "PBF" else None,
        "infill": b.infill or None,
    }  # fmt: skip
    volumes = {
        "part_volume_cm3": b.volume, "part_area_cm2": b.area, "support_volume_cm3": b.support_volume,
        "support_contact_cm2": b.support_contact, "height_mm": b.height, "packed_volume_cm3": b.packed or None,
    }  # fmt: skip
    solid = 0.35 + 0.5 * b.infill if b.process == "MEX" else 1.0
    mass = {"material_g": round(b.volume * DENSITY[b.material] * solid, 1), "layers": round(b.layers)}
    announced = {"announced_min": round(0.92 * nominal_minutes("printing", b) * float(rng.lognormal(0, 0.05)), 1)}
    noted = rng.random()
    if noted < 0.79:
        row |= volumes
        row |= announced if rng.random() < 0.5 else {}
    elif noted < 0.91:
        row |= announced | mass
    elif noted < 0.96:
        row |= mass
    return row


def write_builds(logs: Path, lived: Lab, troubles: Troubles) -> None:
    """A file for each month; the first with the trade's words, the last with the planned builds."""
    rng = np.random.default_rng([SEED, 4])
    by_month: dict[str, list[dict[str, Any]]] = {}
    for b in lived.builds:
        row = build_row(b, rng)
        month = min(month_of(b.arrives), month_of(END - 1))
        if month <= TRADE_WORDS_UNTIL:
            row["process"] = TRADE_WORDS[b.process]
        if b.id not in lived.begun:
            row["planned"] = "true"
        by_month.setdefault(month, []).append(row)
    again = next(b for b in lived.builds if b.machine == "ext-1")
    other = build_row(next(b for b in reversed(lived.builds) if b.machine == "resin-2"), rng) | {"build_id": again.id}
    last = max(by_month)
    by_month[last].append(other)
    troubles.set_aside.append(
        {"file": f"{last}-builds.csv", "line": len(by_month[last]) + 1, "why": f"id {again.id} used again"}
    )
    for month, rows in by_month.items():
        write_csv(logs / f"{month}-builds.csv", BUILD_COLUMNS, rows)


def write_machines(logs: Path, runs: list[Run]) -> None:
    """What the machines exported: to the second, with offset; ext-3 writes local time without one."""
    by_month: dict[str, list[dict[str, Any]]] = {}
    for number, run in enumerate(runs, start=1):
        if run.stage in MACHINE_STAGES:
            by_month.setdefault(month_of(run.start), []).append(machine_row(run, number))
    for month, rows in by_month.items():
        write_csv(logs / f"{month}-machines.csv", MACHINE_COLUMNS, rows)


def machine_row(run: Run, number: int) -> dict[str, Any]:
    def stamp(minutes: float) -> str:
        moment = moment_of(minutes).astimezone(UTC)
        if run.station != "ext-3":
            return moment.isoformat()
        return moment.astimezone(ZONE).replace(tzinfo=None).isoformat()

    ended = run.end < END
    return {
        "run_id": f"{run.station}-{number:05d}",
        "build_id": run.builds[0].id,
        "stage": run.stage,
        "station": run.station,
        "started_at": stamp(run.start),
        "ended_at": stamp(run.end) if ended else "",
        "ended_by": "machine" if ended else "",
        "outcome": run.outcome if ended and run.outcome != "done" else "",
        "attempt": run.attempt if run.attempt > 1 else "",
    }


def write_bench(logs: Path, troubles: Troubles) -> None:
    """A bench log for each month, one of them twice under another name, and a file of corrections."""
    by_month: dict[str, list[dict[str, Any]]] = {}
    for start, row in sorted(troubles.rows, key=lambda pair: pair[0]):
        by_month.setdefault(month_of(start), []).append(row)
    for month, row, why in troubles.faulty:
        by_month[month].append(row)
        troubles.set_aside.append({"file": f"{month}-bench.csv", "line": len(by_month[month]) + 1, "why": why})
    for month, rows in by_month.items():
        write_csv(logs / f"{month}-bench.csv", BENCH_COLUMNS, rows)
    write_csv(logs / f"{troubles.repeated_month}-bench (copy).csv", BENCH_COLUMNS, by_month[troubles.repeated_month])
    write_csv(logs / "2026-11-corrections.csv", BENCH_COLUMNS, troubles.corrections)


def item_rows(lived: Lab) -> list[dict[str, Any]]:
    noted = [b for b in lived.builds if b.part_file and b.id in lived.begun][:40]
    return [
        {
            "build_id": b.id, "order_id": b.order, "part_file": b.part_file, "qty": b.parts,
            "qty_good": b.parts, "finish": b.finish,
        }
        for b in noted
    ]  # fmt: skip


def write_plan(path: Path, designs: dict[str, dict[str, float]]) -> None:
    """Builds to predict: the same mix as the logged ones, none of them run."""
    rng = np.random.default_rng([SEED, 5])
    rows = []
    for number in range(1, PLAN_BUILDS + 1):
        b = make_build(rng, list(MACHINES)[int(rng.integers(len(MACHINES)))], END, designs)
        b.id, b.order = f"P{number:03d}", ""
        rows.append(build_row(b, rng) | {"planned": "true", "material_lot": ""})
    write_csv(path, BUILD_COLUMNS, rows)


def write_truth(path: Path, lived: Lab, troubles: Troubles) -> None:
    truth = {
        "timezone": str(ZONE),
        "first_day": lab.FIRST_DAY.date().isoformat(),
        "last_day": datetime.fromtimestamp(lab.LAST_MOMENT.timestamp() - 1, ZONE).date().isoformat(),
        "builds": {"all": len(lived.builds), "planned": len(lived.builds) - len(lived.begun)},
        "failed_builds": [b.id for b in lived.builds if b.fails and b.id in lived.begun],
        "step": lab.STEP | {"event": lab.STEP_EVENT_DATE, "station": "cure-1"},
        "creep": lab.CREEP,
        "operator_log": lab.OPERATOR_LOG,
        "machine_log": lab.MACHINE_LOG,
        "material_log": lab.MATERIAL_LOG,
        "spread_log": lab.SPREAD | {"other bench stages": lab.BENCH_SPREAD, "shared in a build": lab.BUILD_SD},
        "clock_change_run": {"build": next(b.id for b in lived.builds if b.ends_at), "ended_at": "2026-10-25T01:25:30"},
        **troubles.truth(),
    }
    path.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
