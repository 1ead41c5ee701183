"""A simulated lab with physics of its own, as the log files that it would write: builds, machine logs, bench logs.

Its minutes come from formulas that share nothing with calib's but the words of the trade: flow rates, areas, counts and
fixed times as one would note them on a shop floor (invented; common practice, no source). What is hidden in them: each
machine, person and material has its factor, sizes scale with exponents other than one, the parts of a build share
its difficulty, one stage steps in the middle, and some timers are forgotten.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

PROCESSES, SHARE = ("MEX", "VPP", "PBF"), (0.5, 0.3, 0.2)
MACHINES = {"MEX": ("M1", "M2", "M3", "M4"), "VPP": ("V1", "V2"), "PBF": ("P1",)}
MATERIALS = {"MEX": ("grey", "tough"), "VPP": ("clear", "stiff"), "PBF": ("nylon",)}
PEOPLE = ("ana", "bo", "cy", "di")
FIRST_DAY = datetime(2025, 1, 6)
NOISE, BUILD_SD, FORGOTTEN, FAILED = 0.16, 0.10, 0.02, 0.02
MACHINE_NOISE = 0.05
STEP = ("VPP", "support_removal", 0.3)  # log, in the middle of the weeks
MACHINE_STAGES = ("warm_up", "printing", "cool_down", "washing", "drying", "post_curing")


@dataclass(eq=False)
class OtherLab:
    """builds, stages : logs with the columns of docs/interface.md; truth : build_id, stage, week, median_min, sd (of the log), minutes"""

    builds: pd.DataFrame
    stages: pd.DataFrame
    truth: pd.DataFrame


def make_lab(seed: int, weeks: int = 30, builds_per_week: float = 14.0) -> OtherLab:
    """The same seed gives the same lab; times are the lab's local time, without an offset."""
    rng = np.random.default_rng([714, seed])
    factors = _factors(rng)
    builds, stages, truth = [], [], []
    for week in range(weeks):
        for _ in range(rng.poisson(builds_per_week)):
            build = _build(rng, f"K{len(builds):04d}")
            builds.append(build)
            at = FIRST_DAY + timedelta(days=int(7 * week + rng.integers(0, 5)), hours=float(rng.uniform(7.5, 12)))
            shared = rng.normal(0, BUILD_SD)
            for stage, median in _medians(build).items():
                stepped = (build["process"], stage) == STEP[:2] and week >= weeks // 2
                place, who = _where(rng, build, stage)
                location = np.log(median) + factors[place] + factors[who] + factors[build["material"]]
                location += factors[build["process"] + stage] + STEP[2] * stepped
                machine = stage in MACHINE_STAGES
                sd = MACHINE_NOISE if machine else NOISE
                minutes = float(np.exp(location + (0.3 if machine else 1.0) * shared + sd * rng.standard_t(6) / 1.22))
                truth.append((build["build_id"], stage, week, float(np.exp(location)), sd, minutes))
                logged = minutes * (rng.uniform(4, 15) if rng.random() < FORGOTTEN and not machine else 1.0)
                end = at + timedelta(minutes=logged)
                failed = stage == "printing" and rng.random() < FAILED
                stages.append(
                    (
                        build["build_id"],
                        stage,
                        at,
                        end,
                        place,
                        who if who != "nobody" else "",
                        "failed" if failed else "",
                    )
                )
                if failed:
                    break
                at += timedelta(minutes=minutes) + timedelta(minutes=float(rng.exponential(40)))
    return OtherLab(
        pd.DataFrame(builds),
        pd.DataFrame(stages, columns=["build_id", "stage", "started_at", "ended_at", "station", "operator", "outcome"]),
        pd.DataFrame(truth, columns=["build_id", "stage", "week", "median_min", "sd", "minutes"]),
    )


def _factors(rng: np.random.Generator) -> dict[str, float]:
    """Log factors of everything that has one; 'nobody' has none."""
    names = [*PEOPLE, *sum(MACHINES.values(), ()), *sum(MATERIALS.values(), ())]
    found = {name: float(rng.normal(0, 0.1)) for name in names}
    cells = {process + stage: float(rng.normal(0, 0.15)) for process in PROCESSES for stage in _every_stage(process)}
    return found | cells | {"nobody": 0.0, "oven": 0.0, "bench": 0.0}


def _every_stage(process: str) -> tuple[str, ...]:
    build = {"process": process, "parts": 2, "part_volume_cm3": 50.0, "part_area_cm2": 100.0, "support_volume_cm3": 5.0,
             "height_mm": 50.0, "layer_mm": 0.1, "finish": "sanded", "packed_volume_cm3": 9000.0}  # fmt: skip
    return tuple(_medians(build))


def _build(rng: np.random.Generator, name: str) -> dict[str, object]:
    process = str(rng.choice(PROCESSES, p=SHARE))
    parts = int(rng.geometric({"MEX": 0.35, "VPP": 0.15, "PBF": 0.04}[process]))
    volume = parts * float(np.exp(rng.normal(np.log(18), 0.9)))
    area = 6.5 * parts * (volume / parts) ** (2 / 3)
    finish = str(rng.choice({"MEX": ["as_built", "supports_off", "sanded"], "VPP": ["supports_off", "sanded"], "PBF": ["blasted"]}[process]))  # fmt: skip
    supports = 0.0 if process == "PBF" or finish == "as_built" else volume * float(rng.uniform(0.03, 0.3))
    height = min(float(np.exp(rng.normal(np.log(45), 0.5))), 180.0)
    cake = max(8.0 * volume, 4000.0) if process == "PBF" else np.nan
    if process == "PBF":
        height = min(cake / 8.0, 300.0)
    return {
        "build_id": name, "process": process, "machine": str(rng.choice(MACHINES[process])), "parts": parts,
        "material": str(rng.choice(MATERIALS[process])), "layer_mm": {"MEX": 0.2, "VPP": 0.05, "PBF": 0.12}[process],
        "part_volume_cm3": round(volume, 2), "part_area_cm2": round(area, 1), "support_volume_cm3": round(supports, 2),
        "height_mm": round(height, 1), "packed_volume_cm3": cake, "finish": finish,
    }  # fmt: skip


def _medians(build: dict) -> dict[str, float]:
    """Minutes of each stage of a build in the order of work, before any factor: this lab's own physics."""
    parts, volume, area = build["parts"], build["part_volume_cm3"], build["part_area_cm2"]
    supports, layers = build["support_volume_cm3"], build["height_mm"] / build["layer_mm"]
    sanded = {"sanding": 8.0 + 0.16 * area**0.9} if build["finish"] == "sanded" else {}
    removal = 3.0 + 1.5 * parts + 1.1 * supports**0.8
    if build["process"] == "MEX":
        shell = min(0.13 * area, volume)
        printing = (shell + 0.3 * (volume - shell) + 0.5 * supports) / 0.5 + layers * (2.5 + 1.5 * parts) / 60 + 7.0
        found = {"file_prep": 9.0 + parts, "machine_setup": 8.0, "warm_up": 6.0, "printing": printing, "unloading": 4.0}
        return (
            found | ({"support_removal": removal} if supports else {}) | sanded | {"inspection": 2.0 + 1.2 * parts**0.8}
        )
    if build["process"] == "VPP":
        printing = 6.0 + layers * (2.4 + 6.5) / 60
        found = {
            "file_prep": 14.0 + 1.5 * parts,
            "machine_setup": 9.0,
            "printing": printing,
            "unloading": 5.0 + 0.3 * parts,
        }
        found |= {"draining": 12.0, "washing": 14.0, "drying": 28.0, "support_removal": removal, "post_curing": 32.0}
        return found | sanded | {"inspection": 3.0 + 1.0 * parts**0.8}
    melted = 55.0 * (volume / 1000) + layers * 11.0 / 60
    found = {"powder_prep": 25.0, "machine_setup": 22.0, "warm_up": 75.0, "printing": melted}
    found |= {"cool_down": 240.0 + 900.0 * (build["packed_volume_cm3"] / 30000) ** 0.67, "breakout": 15.0 + 0.7 * parts}
    return found | {
        "part_cleaning": 6.0 + 0.5 * parts,
        "blasting": 8.0 + 0.35 * parts**0.9,
        "inspection": 4.0 + 0.4 * parts,
    }


def _where(rng: np.random.Generator, build: dict, stage: str) -> tuple[str, str]:
    """Station and person of a run; a machine's stage has no person."""
    if stage in ("warm_up", "printing", "cool_down"):
        return build["machine"], "nobody"
    if stage in MACHINE_STAGES:
        return "oven", "nobody"
    return "bench", str(rng.choice(PEOPLE))
