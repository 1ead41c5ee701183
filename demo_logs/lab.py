"""The true lab: what its work really takes. Simple formulas and constants of its own, unknown to calib."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

SEED = 20261122
ZONE = ZoneInfo("Europe/London")
FIRST_DAY = datetime(2026, 5, 25, tzinfo=ZONE)  # 26 weeks: Monday 25 May to Sunday 22 November
LAST_MOMENT = datetime(2026, 11, 23, tzinfo=ZONE)
CLOSURES = ("2026-05-25", "2026-08-31")
HOURS = dict.fromkeys(range(4), (8 * 60, 17 * 60 + 30)) | {4: (8 * 60, 16 * 60)}  # minutes of the local day

MACHINES = {
    "ext-1": "MEX", "ext-2": "MEX", "ext-3": "MEX",
    "resin-1": "VPP", "resin-2": "VPP",
    "bed-1": "PBF", "bed-2": "PBF",
}  # fmt: skip
BUILDS_A_WEEK = {"ext-1": 2.6, "ext-2": 2.3, "ext-3": 1.7, "resin-1": 2.5, "resin-2": 2.1, "bed-1": 1.7, "bed-2": 1.7}
MATERIALS = {"MEX": ("petg", "asa"), "VPP": ("tough_resin", "clear_resin"), "PBF": ("pa12", "pa11")}
OPERATORS = ("AB", "DK", "MJ", "SR", "crew-2")

# What was planted, all as differences of log minutes.
OPERATOR_LOG = {"AB": -0.12, "DK": 0.0, "MJ": 0.16, "SR": -0.03, "crew-2": 0.05}
MACHINE_LOG = {
    "printing": {"ext-2": 0.10, "ext-3": -0.06, "resin-1": 0.04, "resin-2": -0.04, "bed-2": 0.07},
    "machine_setup": {"ext-3": 0.20, "bed-2": -0.10},
}
MATERIAL_LOG = {
    "printing": {"asa": 0.05},
    "support_removal": {"asa": 0.15, "clear_resin": 0.12},
    "part_cleaning": {"pa11": 0.12},
}
STEP = {"process": "VPP", "stage": "post_curing", "date": "2026-09-07", "per_cent": 30.0}
STEP_EVENT_DATE = "2026-09-21"
CREEP = {"process": "PBF", "stage": "blasting", "date": "2026-07-27", "log_per_week": 0.036}
BUILD_SD = 0.10  # of the effect that all bench stages of one build share
SPREAD = {
    "support_removal": 0.28, "printing": 0.045, "warm_up": 0.05, "cool_down": 0.06, "washing": 0.05, "drying": 0.08,
    "post_curing": 0.06, "blasting": 0.11, "material_drying": 0.03, "draining": 0.10,
}  # fmt: skip
BENCH_SPREAD = 0.20
FORGOTTEN_SHARE = 0.02
MISSING_END_SHARE = 0.012
FAILED_SHARE = {"MEX": 0.07, "VPP": 0.06, "PBF": 0.03}

HANDS = (
    "design_adaptation", "file_prep", "powder_prep", "machine_setup", "unloading", "machine_cleaning",
    "support_removal", "breakout", "part_cleaning", "powder_recovery", "blasting", "sanding", "inspection", "packing",
)  # fmt: skip
MACHINE_STAGES = ("warm_up", "printing", "cool_down")
SHARED = {"washing": (40.0, 400), "post_curing": (30.0, 400), "blasting": (200.0, 300), "powder_recovery": (900.0, 400)}
STATIONS = {
    "material_drying": "oven", "draining": "rack", "washing": "wash-1", "drying": "rack", "post_curing": "cure-1",
    "support_removal": "bench-1", "breakout": "powder-bench", "part_cleaning": "powder-bench",
    "powder_recovery": "sieve", "blasting": "blast-1", "sanding": "bench-2", "inspection": "bench-2",
    "packing": "bench-2", "design_adaptation": "desk", "file_prep": "desk",
}  # fmt: skip


@dataclass
class Build:
    """One build as the lab knows it; volumes in cm3, areas in cm2, for all parts together."""

    id: str
    order: str
    machine: str
    process: str
    material: str
    parts: int
    layer_mm: float
    volume: float
    area: float
    support_volume: float
    support_contact: float
    height: float
    packed: float
    infill: float
    difficulty: str
    finish: str
    part_file: str
    arrives: float
    fails: str = ""
    effect: float = 0.0
    ends_at: float | None = None  # a moment at which printing ends, where one was planted
    change: bool = False
    stages: list[tuple[str, int]] = field(default_factory=list)

    @property
    def layers(self) -> float:
        return self.height / self.layer_mm


def utc_minutes(moment: datetime) -> float:
    """Minutes since the first day."""
    return (moment.astimezone(UTC) - FIRST_DAY.astimezone(UTC)).total_seconds() / 60  # wall clocks are not subtracted


def moment_of(minutes: float) -> datetime:
    """UTC moment, whole seconds."""
    return FIRST_DAY.astimezone(UTC) + timedelta(seconds=round(minutes * 60))


def nominal_minutes(stage: str, b: Build) -> float:
    """Minutes of a stage for a usual machine, material and person."""
    hard = {"plain": 0.85, "normal": 1.0, "intricate": 1.3}[b.difficulty]
    return float(_COMMON[stage](b, hard) if stage in _COMMON else _OF_PROCESS[b.process][stage](b, hard))


def _print_extruded(b: Build, hard: float) -> float:
    wall = min(0.09 * b.area, 0.9 * b.volume)
    fill = (b.volume - wall) * (0.12 + b.infill) + 0.3 * b.support_volume
    return wall / 0.32 + fill / 0.52 + b.layers * (0.06 + 0.015 * b.parts)


def _print_resin(b: Build, hard: float) -> float:
    if b.machine == "resin-1":  # masked light: the plate may be full or empty
        return b.layers * 10.4 / 60 + 3.5
    return b.layers * 8.0 / 60 + b.volume / 2.4 + b.area / 45


def _cool_powder(b: Build, hard: float) -> float:
    half = (b.height + 24) / 2
    return 45 + 0.2 * half**2 / (1 + half**2 / 9000)


_COMMON = {
    "design_adaptation": lambda b, hard: 38 * hard,
    "unloading": lambda b, hard: {"MEX": 4 + 0.5 * b.parts, "VPP": 6 + 0.3 * b.parts, "PBF": 14}[b.process],
    "inspection": lambda b, hard: (6 + 0.9 * b.parts**0.85) * hard,
    "packing": lambda b, hard: 5 + 0.6 * b.parts**0.9,
    "sanding": lambda b, hard: (6 + 0.16 * b.area**0.9) * hard,
    "machine_setup": lambda b, hard: {"MEX": 11, "VPP": 9, "PBF": 24}[b.process] + (8 if b.change else 0),
    "printing": lambda b, hard: _PRINT[b.process](b, hard),
}
_PRINT = {
    "MEX": _print_extruded,
    "VPP": _print_resin,
    "PBF": lambda b, hard: b.layers * 10.5 / 60 + b.volume / 1.7 + b.area / 260,
}
_OF_PROCESS = {
    "MEX": {
        "file_prep": lambda b, hard: (9 + 1.1 * b.parts**0.6) * hard,
        "material_drying": lambda b, hard: 260,
        "warm_up": lambda b, hard: 13 if b.material == "asa" else 7,
        "cool_down": lambda b, hard: 16 if b.material == "asa" else 9,
        "machine_cleaning": lambda b, hard: 6,
        "support_removal": lambda b, hard: (3 + 0.5 * b.parts + 0.45 * b.support_contact) * hard,
    },
    "VPP": {
        "file_prep": lambda b, hard: (15 + 0.7 * b.parts**0.8) * hard,
        "warm_up": lambda b, hard: 14,
        "machine_cleaning": lambda b, hard: 9,
        "draining": lambda b, hard: 17,
        "washing": lambda b, hard: 14,
        "drying": lambda b, hard: 34,
        "support_removal": lambda b, hard: (4 + 0.45 * b.parts + 0.6 * b.support_contact) * hard,
        "post_curing": lambda b, hard: 42 if b.material == "tough_resin" else 27,
    },
    "PBF": {
        "file_prep": lambda b, hard: 26 + 0.22 * b.parts,
        "powder_prep": lambda b, hard: 16 + 1.7 * b.packed / 1000,
        "warm_up": lambda b, hard: 98,
        "cool_down": _cool_powder,
        "machine_cleaning": lambda b, hard: 31,
        "breakout": lambda b, hard: 13 + 1.4 * b.packed / 1000 + 0.2 * b.parts,
        "part_cleaning": lambda b, hard: (7 + 0.4 * b.parts + b.area / 130) * hard,
        "powder_recovery": lambda b, hard: 14 + 1.2 * b.packed / 1000,
        "blasting": lambda b, hard: 6 + 0.6 * b.parts + b.area / 160,
    },
}


def true_minutes(stage: str, b: Build, operator: str, start: float, noise: float) -> float:
    """Minutes that a run really takes; ``noise`` is a standard heavy-tailed draw."""
    log = MACHINE_LOG.get(stage, {}).get(b.machine, 0.0) + MATERIAL_LOG.get(stage, {}).get(b.material, 0.0)
    if stage in HANDS:
        log += OPERATOR_LOG[operator] + b.effect
    if stage == "printing":
        log += 0.3 * b.effect
    log += change_log(stage, b.process, start) + SPREAD.get(stage, BENCH_SPREAD) * noise
    return nominal_minutes(stage, b) * math.exp(log)


def change_log(stage: str, process: str, start: float) -> float:
    """What the planted step and creep add to log minutes at that time."""
    if (process, stage) == (STEP["process"], STEP["stage"]) and start >= _day(STEP["date"]):
        return math.log(1 + STEP["per_cent"] / 100)
    if (process, stage) == (CREEP["process"], CREEP["stage"]):
        return CREEP["log_per_week"] * max(0.0, start - _day(CREEP["date"])) / (7 * 24 * 60)
    return 0.0


def _day(text: str) -> float:
    return utc_minutes(datetime.fromisoformat(text).replace(tzinfo=ZONE))
