"""A quote's document as the quoting room writes it, small enough to follow by hand."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

START = datetime.fromisoformat("2026-12-01T11:00+01:00")


def at(hours: float) -> str:
    return (START + timedelta(hours=hours)).isoformat(timespec="minutes")


def half_day(hours: float) -> str:
    """When the lab closes on the day of those hours, 18:00."""
    return (START + timedelta(hours=hours)).replace(hour=18, minute=0).isoformat(timespec="minutes")


def stage(name: str, minutes: float, hands: float, runs: int = 12) -> dict[str, Any]:
    return {"stage": name, "baseline_min": minutes, "p10_min": 0.8 * minutes, "p50_min": minutes,
            "p90_min": 1.3 * minutes, "touch_min": hands, "runs_behind": runs}  # fmt: skip


STAGES = [stage("machine_setup", 12, 12), stage("printing", 300, 0), stage("washing", 24, 8, 0), stage("packing", 9, 9)]


def option(process: str, machine: str, hours: tuple[float, float, float] = (20, 30, 50), **more: Any) -> dict[str, Any]:
    lead = dict(zip(("p10", "p50", "p90"), hours, strict=True))
    return {
        "process": process, "machine": machine, "material": "resin", "builds": 2, "parts_per_build": 6, "ride": None,
        "stages": STAGES, "work_min": {"p10": 300, "p50": 336, "p90": 400},
        "touch_min": {"p10": 15, "p50": 20, "p90": 30}, "lead_time_h": lead, "first_part_h": lead,
        "ready_at": {name: at(value) for name, value in lead.items()}, "sure_at": at(hours[2]), "on_time": 0.83,
        "promised_at": half_day(hours[2]), "half_day": "end of the day", "promise_chance": 0.93,
        "lead_quantiles_h": [[0.1, hours[0]], [0.5, hours[1]], [0.9, hours[2]]],
        "cost": {"p10": 90.0, "p50": 100.0, "p90": 120.0, "currency": "GBP", "usual": {"machine": 60.0, "person": 40.0}},
        "warnings": ["resin: no least time known for washing: see the data sheet."],
        "cautions": [{"stages": ["washing"], "text": "Uncured resin and solvent: gloves."}],
        "plan": [{"builds": 2, "process": process, "machine": machine, "material": "resin", "parts": 6.0}],
        **more,
    }  # fmt: skip


def tied(process: str, machine: str, cost: float | None = 100.0) -> dict[str, Any]:
    return {"process": process, "machine": machine, "cost": cost, "promised_at": half_day(50), "chance": 0.83}


def quote_document(**more: Any) -> dict[str, Any]:
    """A dozen of a part whose name must be escaped, one option, due after 49 hours."""
    view = {"lines": [[[0, 0], [10, 0]], [[0, 0], [0, 5]]], "width_mm": 10.0, "height_mm": 5.0, "left_out": 0}
    return {
        "quote_id": "Q00007", "part": "<b>clip</b>.stl", "quantity": 12, "level": 0.8, "sure": 0.9,
        "options": [option("VPP", "vpp1")], "out": [{"process": "PBF", "machine": "pbf1", "reason": "too large"}],
        "due": "2026-12-03T12:00+01:00", "soonest": {"process": "VPP", "machine": "vpp1", "chance": 0.7},
        "promise": {"ties": [], "cheapest": None}, "keep_due": [tied("VPP", "vpp1")],
        "valid_until": "2026-12-08", "start": at(0), "notes": ["Not judged: strength."], "warnings": [],
        "drawing": dict.fromkeys(("front", "side", "top"), view), "outside": [], "shop": "A lab",
        "width": [{"cause": "waiting", "share": 0.5, "runs_behind": None}],
        "course": [{"job": "build 1", "stage": "printing", "lane": "machine", "from": at(9), "to": at(14)}],
        **more,
    }  # fmt: skip


def full_document() -> dict[str, Any]:
    """As much as a busy lab gives: fifteen options over two months, sixteen stages, nine days of work, a comparison."""
    options = [
        option(process, f"{process.lower()}-{n}+{process.lower()}-{n + 1}", (20 + 90 * n, 30 + 95 * n, 50 + 110 * n))
        for n in range(5)
        for process in ("MEX", "VPP", "PBF")
    ]
    options[0]["stages"] = [stage(f"{name}_of_the_parts", 40, 20) for name in "abcdefghijklmnop"]
    lanes = ("hands", "machine", "waiting")
    course = [
        {"job": f"build {n}", "stage": "printing", "lane": lanes[n % 3], "from": at(6 * n), "to": at(6 * n + 5)}
        for n in range(36)
    ]
    return quote_document(options=options, course=course, comparison=comparison(), quantity=20,
                          width=3 * [{"cause": "printing", "share": 0.2, "runs_behind": 30}])  # fmt: skip


def comparison() -> dict[str, Any]:
    quantities = [1, 2, 5, 10, 20, 50, 100]

    def line(process: str, fixed: float, each: float) -> dict[str, Any]:
        lead = [{"quantity": q, "p10": 0.8 * (fixed + each * q), "p50": fixed + each * q, "p90": 1.4 * (fixed + each * q)}
                for q in quantities]  # fmt: skip
        return {"process": process, "machine": process.lower(), "lead_time_h": lead, "per_part_h": lead,
                "first_part_h": lead, "touch_per_part_min": lead}  # fmt: skip

    return {
        "part": "clip.stl", "quantities": quantities, "draws": 1500, "seed": 0, "out": [], "notes": [],
        "options": [line("MEX", 4, 2.0), line("VPP", 12, 1.0), line("PBF", 40, 0.4)],
        "zones": [{"from": 1, "to": 5, "first": "MEX", "chance": 0.8, "contenders": ["MEX"]},
                  {"from": 10, "to": 20, "first": None, "chance": None, "contenders": ["MEX", "VPP", "PBF"]},
                  {"from": 50, "to": 100, "first": "PBF", "chance": 0.8, "contenders": ["PBF"]}],
        "flips": [{"quantity": 50, "from": "MEX", "to": "PBF", "chance": 0.8}],
    }  # fmt: skip


def order_document() -> dict[str, Any]:
    """An order of six parts, three of them drawn, one long and one tall."""
    sides = [(70.0, 40.0, 55.0), (340.0, 20.0, 20.0), (30.0, 30.0, 240.0)]
    drawings = [
        {"part": f"part_{n}_with_a_long_name.stl", "views": {"front": box(x, z), "side": box(y, z), "top": box(x, y)}}
        for n, (x, y, z) in enumerate(sides)
    ]
    items = [{"part": f"part_{n}_with_a_long_name.stl", "quantity": 10 * n + 1, "finish": None} for n in range(6)]
    return quote_document(part="order.csv", quantity=156, items=items, drawings=drawings)


def box(width: float, height: float) -> dict[str, Any]:
    corners = [(0, 0), (width, 0), (width, height), (0, height), (0, 0)]
    lines = [[list(a), list(b)] for a, b in pairwise(corners)]
    return {"lines": lines, "width_mm": width, "height_mm": height, "left_out": 0}
