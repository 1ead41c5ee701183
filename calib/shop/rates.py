"""Bench work and loads by default, by stage and process: common practice, no source, unless a shop states its own.

start_min : each run or build; part_min : each part; cm2_min : each cm2 of part surface; contact_min : each cm2 of
support contact; cm3_min : each cm3 of powder cake; load_min : each load of a bath, chamber, oven or cabinet;
load_parts : parts a load holds; touch_load_min : hands at the start and end of a load; learning_rate : time of the
double quantity, for what is done to each part by hand (Wright 1936: unit n takes n ** log2(rate)).
"""

from __future__ import annotations

RATE_KEYS: dict[str, tuple[float, float]] = {
    "start_min": (0, 10_000),
    "part_min": (0, 10_000),
    "cm2_min": (0, 1000),
    "contact_min": (0, 1000),
    "cm3_min": (0, 100),
    "load_min": (0, 100_000),
    "load_parts": (1, 1_000_000),
    "touch_load_min": (0, 1000),
    "learning_rate": (0.5, 1),
}

_BENCH: dict[str, dict[str, float]] = {
    "design_adaptation": {"start_min": 20},
    "file_prep": {"start_min": 10, "part_min": 0.2},
    "material_drying": {"touch_load_min": 4},
    "machine_setup": {"start_min": 10},
    "unloading": {"start_min": 4, "part_min": 0.4},
    "machine_cleaning": {"start_min": 5},
    "support_removal": {"start_min": 2, "part_min": 2, "contact_min": 0.5, "learning_rate": 0.95},
    "support_dissolving": {"load_min": 240, "load_parts": 15, "touch_load_min": 6},
    "rinsing": {"load_min": 15, "load_parts": 15, "touch_load_min": 3},
    "drying": {"load_min": 30, "load_parts": 20, "touch_load_min": 2},
    "blasting": {"start_min": 4, "part_min": 1, "cm2_min": 0.01, "learning_rate": 0.95},
    "sanding": {"start_min": 5, "part_min": 5, "cm2_min": 0.12, "learning_rate": 0.93},
    "annealing": {"load_min": 240, "load_parts": 30, "touch_load_min": 8},
    "colouring": {"load_min": 100, "load_parts": 40, "touch_load_min": 15},
    "assembly": {"start_min": 5, "part_min": 6, "learning_rate": 0.93},
    "inspection": {"start_min": 4, "part_min": 0.8, "learning_rate": 0.97},
    "packing": {"start_min": 4, "part_min": 0.3},
}
_BY_PROCESS: dict[str, dict[str, dict[str, float]]] = {
    "MEX": {
        "machine_setup": {"start_min": 8},
        "machine_cleaning": {"start_min": 3},
    },
    "VPP": {
        "design_adaptation": {"start_min": 20},
        "file_prep": {"start_min": 15, "part_min": 0.5},
        "draining": {"start_min": 10, "part_min": 0.1},
        "washing": {"load_min": 15, "load_parts": 12, "touch_load_min": 4},
        "post_curing": {"load_min": 30, "load_parts": 12, "touch_load_min": 4},
        "support_removal": {"start_min": 3, "part_min": 2.5, "contact_min": 0.7, "learning_rate": 0.95},
        "machine_cleaning": {"start_min": 10},
    },
    "PBF": {
        "file_prep": {"start_min": 20, "part_min": 0.1},
        "powder_prep": {"start_min": 20, "cm3_min": 0.0008},
        "machine_setup": {"start_min": 25},
        "unloading": {"start_min": 12},
        "machine_cleaning": {"start_min": 35},
        "breakout": {"start_min": 15, "part_min": 0.2, "cm3_min": 0.0012},
        "part_cleaning": {"start_min": 5, "part_min": 0.5, "cm2_min": 0.003, "learning_rate": 0.97},
        "powder_recovery": {"start_min": 15, "cm3_min": 0.0008},
        "blasting": {"start_min": 6, "part_min": 0.4, "cm2_min": 0.004, "learning_rate": 0.97},
    },
}


def default_rate(process: str, stage: str) -> dict[str, float]:
    """Rates of a stage of a process; a stage that calib does not know has a start and a time for each part."""
    return _BY_PROCESS.get(process, {}).get(stage) or _BENCH.get(stage) or {"start_min": 10, "part_min": 2}


def known_stages() -> set[str]:
    return {*_BENCH, *(stage for stages in _BY_PROCESS.values() for stage in stages)}
