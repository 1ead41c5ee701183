"""Builds of one order wait for each other, and what ends them is done once; against times by hand."""

from __future__ import annotations

import numpy as np
import pytest

from calib.calendar.clock import OpenClock
from calib.quoting.joined_orders import join_orders, share_ends
from calib.quoting.schedule import Job, Resources, ends_of, run_jobs
from calib.shop.model import Machine, Shop

HANDS = {"machine_setup": 1.0, "unloading": 1.0, "inspection": 1.0, "packing": 1.0}
WHOLE = {"machine_setup": 10.0, "printing": 100.0, "unloading": 5.0, "inspection": 20.0, "packing": 3.0}
LAB = Shop(
    "lab", "UTC", None, (), {name: Machine(name, "MEX", "extruder", (9, 9, 9), ("p",), {}) for name in "mn"}, {}, {}, {},
    {}, (), {},
)  # fmt: skip


def job(name: str, minutes: dict[str, float], machine: str = "m", ready: float = 0.0) -> Job:
    return Job(
        name, machine, tuple(minutes), {stage: np.array([m]) for stage, m in minutes.items()},
        {stage: HANDS.get(stage, 0.0) for stage in minutes}, ready=ready,
    )  # fmt: skip


def ends(jobs: list[Job], orders: list[str]) -> dict[str, float]:
    joined = join_orders(jobs, orders)
    runs = run_jobs(joined, Resources(LAB, OpenClock(None, (), "UTC"), 1, 0.0))
    return {
        name: float(end[0]) for name, end in share_ends(joined, ends_of(runs)).items() if not name.startswith("order")
    }


@pytest.mark.parametrize(
    ("orders", "a", "b"),
    [
        (["O1", "O2"], 138, 538),  # each on its own: 10 + 100 + 5 + 20 + 3
        (["", ""], 138, 538),
        (["O1", "O1"], 561, 561),  # b is unloaded at 400 + 115; then twice 20, and twice 3
    ],
)
def test_an_order_is_inspected_and_packed_when_its_last_build_is_there(orders, a, b):
    assert ends([job("a", WHOLE), job("b", WHOLE, "n", ready=400.0)], orders) == {"a": a, "b": b}


def test_one_that_only_waits_for_its_sister_and_one_that_is_of_no_process_of_the_order():
    waits = {stage: WHOLE[stage] for stage in ("inspection", "packing")}
    found = ends([job("a", waits), job("b", WHOLE), job("c", WHOLE, "n")], ["O1", "O1", "O2"])
    assert found == {"a": 161, "b": 161, "c": 138}


def test_a_stage_that_only_one_of_them_needs_is_done_for_that_one():
    plain = {stage: minutes for stage, minutes in WHOLE.items() if stage != "inspection"}
    assert ends([job("a", plain), job("b", WHOLE, "n")], ["O1", "O1"]) == {"a": 141, "b": 141}
