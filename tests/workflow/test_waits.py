"""Waits as learned from logs: only what the schedule does not explain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from calib.quoting.learned import Unwritten
from calib.quoting.staff import Staff, several_servers, waited_anyway
from calib.records import ROUTES
from calib.shop.model import Crew, Machine, Shop
from calib.workflow.gaps import find_gaps, silent_shares, silent_stages, wait_rows, with_shares


def shop(chambers: int = 1) -> Shop:
    machine = Machine("m", "PBF", "laser_bed", (9, 9, 9), ("pa",), {}, chambers=chambers)
    hours = (((480, 1020),),) * 7
    return Shop("lab", "UTC", hours, (), {"m": machine}, {}, {}, {}, ROUTES, (), {})


def wait_frame(rows: list[tuple[str, str, str, str]], lab: Shop, orders: dict[str, str | None]) -> pd.DataFrame:
    """Waits; rows: builds joined by +, stage, start, end, as 'day hour:minute' in March."""
    stamp = [pd.Timestamp(f"2026-03-{at}", tz="UTC") for row in rows for at in row[2:]]
    runs = pd.DataFrame({
        "run_key": range(len(rows)), "build_ids": [row[0].split("+") if row[0] else [] for row in rows],
        "order_id": [None if row[0] else "R" for row in rows], "stage": [row[1] for row in rows],
        "started_at": stamp[::2], "ended_at": stamp[1::2], "work_min": 1.0, "low_min": None, "touch_min": 1.0,
    })  # fmt: skip
    builds = pd.DataFrame({"build_id": list(orders), "process": "PBF", "machine": "m", "parts": 4.0,
                           "order_id": list(orders.values())})  # fmt: skip
    return wait_rows(find_gaps(builds, runs, lab, pd.Timestamp("2026-04-01", tz="UTC")), lab)


def waits(rows: list[tuple[str, str, str, str]], lab: Shop, orders: dict[str, str]) -> set[tuple[str, int]]:
    """Stages with their waits."""
    found = wait_frame(rows, lab, orders)
    return {(stage, round(wait)) for stage, wait in zip(found["stage"], found["wait_min"], strict=True)}


FIRST = [
    ("a", "file_prep", "02 08:00", "02 08:10"), ("a", "machine_setup", "02 08:25", "02 08:40"),
    ("a", "printing", "02 08:40", "02 20:00"), ("a", "cool_down", "02 20:00", "03 02:00"),
    ("a", "unloading", "03 08:30", "03 08:45"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("rows", "lab", "expected"),
    [
        # setting up 15 min after preparation; unloading half an hour after the doors opened, though cooled at 2 o'clock
        ([], shop(), {("machine_setup", 15), ("printing", 0), ("cool_down", 0), ("unloading", 30)}),
        # the next build was ready the day before: it waited for the machine until 8:45, then 20 min for a person
        ([("b", "file_prep", "02 09:00", "02 09:10"), ("b", "machine_setup", "03 09:05", "03 09:20")], shop(),
         {("machine_setup", 15), ("printing", 0), ("cool_down", 0), ("unloading", 30), ("machine_setup", 20)}),
        # a removable chamber leaves the machine when it is printed, at 20:00: 65 min of opening hours
        ([("b", "file_prep", "02 09:00", "02 09:10"), ("b", "machine_setup", "03 09:05", "03 09:20")], shop(chambers=2),
         {("machine_setup", 15), ("printing", 0), ("cool_down", 0), ("unloading", 30), ("machine_setup", 65)}),
        # an order's inspection waits for the last of its builds, whether the row names them or the order
        *[([("b", "breakout", "02 09:00", "02 09:10"), (both, "inspection", "03 09:00", "03 09:20")], shop(),
           {("machine_setup", 15), ("printing", 0), ("cool_down", 0), ("unloading", 30), ("inspection", 15)})
          for both in ("a+b", "")],
    ],
)  # fmt: skip
def test_what_machine_sisters_and_closed_hours_explain_is_no_wait(rows, lab, expected):
    assert waits(FIRST + rows, lab, {"a": "R", "b": "R"}) == expected


@pytest.mark.parametrize(("people", "expected"), [(1, 60), (2, 0)])
def test_the_part_of_a_wait_in_which_nobody_was_free_is_told_apart(people, expected):
    # b can be broken out from 9:10 on; the one person is at a's until 10:10; then ten minutes of coming by
    lab = replace(shop(), crews={"all": Crew("all", people)})
    rows = [("b", "file_prep", "02 09:00", "02 09:10"), ("a", "breakout", "02 09:05", "02 10:10"),
            ("b", "breakout", "02 10:20", "02 10:30")]  # fmt: skip
    found = wait_frame(rows, lab, {"a": None, "b": None})
    assert found[["wait_min", "people_min"]].round().to_numpy().tolist() == [[70, expected]]


@pytest.mark.parametrize("busy", [0.0, 0.4, 0.8])
def test_the_part_of_a_wait_that_more_people_would_spare_is_told_from_what_passes_anyway(busy):
    # work is seen after a quarter of an hour on the mean, exponential; with a chance nobody is free for another while
    rng = np.random.default_rng(4)
    seen = rng.exponential(15.0, 4000)
    nobody_free = np.where(rng.random(4000) < busy, rng.exponential(12.0, 4000), 0.0)
    wait = np.maximum(seen, nobody_free)
    assert waited_anyway(wait, np.minimum(nobody_free, wait)) == pytest.approx(15.0, rel=0.08)
    # the larger of both lasts 15 + 12 - 20/3 where there are two: 16/3 are spared, of 12 in which nobody is free
    assert wait.mean() == pytest.approx(15.0 + 16 / 3 * busy, rel=0.05)


def test_more_people_shorten_only_what_waits_for_people():
    staff, lab = Staff(share=0.6, people=2, work=1.4), shop()
    times = [staff.times(replace(lab, crews={"all": Crew("all", size)})) for size in (1, 2, 3, 20)]
    assert times == sorted(times, reverse=True)
    assert times[1] == 1
    # M/M/c at 1.4 hours of work an hour: mean wait 1.4^2/(4 - 1.4^2) of a task with two, from the closed form
    assert several_servers(1.4, 1.0, 2).wait == pytest.approx(1.96 / 2.04, rel=1e-9)
    assert times[3] == pytest.approx(0.4 + 0.6 * 2 / 20)  # what the night left is cleared by ten times as many


def test_a_stage_that_nobody_writes_down_is_done_in_the_gap_and_is_no_wait_again():
    # five builds whose cooling is not logged: emptied 130 min after the print ended, or the next morning; 120 by the baseline
    names = [f"b{day}" for day in range(2, 7)]
    stamps = {f"b{day}": ("08:00", "12:00", "14:10") if day < 5 else ("08:00", "16:00", None) for day in range(2, 7)}
    rows = []
    for day, (name, (begin, end, out)) in enumerate(stamps.items(), 2):
        emptied = f"0{day} {out}" if out else f"0{day + 1} 08:10"
        rows += [
            (name, "printing", f"0{day} {begin}", f"0{day} {end}"),
            (name, "unloading", emptied, emptied[:-1] + "5"),
        ]
    runs = pd.DataFrame({
        "run_key": range(len(rows)), "build_ids": [[row[0]] for row in rows], "order_id": None,
        "stage": [row[1] for row in rows], "started_at": [pd.Timestamp(f"2026-03-{row[2]}", tz="UTC") for row in rows],
        "ended_at": [pd.Timestamp(f"2026-03-{row[3]}", tz="UTC") for row in rows], "work_min": 1.0, "low_min": None,
        "touch_min": 1.0,
    })  # fmt: skip
    builds = pd.DataFrame({"build_id": names, "process": "PBF", "machine": [f"m{name}" for name in names], "parts": 4.0,
                           "order_id": None})  # fmt: skip
    for baseline, share in ((120.0, 1.0), (260.0, 0.5)):
        base = pd.DataFrame({"build_id": names, "process": "PBF", "stage": "cool_down", "material": "", "finish": "",
                             "baseline_min": baseline, "floor_min": 0.0})  # fmt: skip
        silent = silent_stages(builds, runs, base, shop())
        horizon = pd.Timestamp("2026-04-01", tz="UTC")
        shares = silent_shares(find_gaps(builds, runs, shop(), horizon), silent, shop())
        assert shares == {("PBF", "cool_down"): pytest.approx(share)}
        learned = {pair: Unwritten(known) for pair, known in shares.items()}
        waits = wait_rows(find_gaps(builds, runs, shop(), horizon, with_shares(silent, learned)), shop())
        # what is left of 130 min; by night the cake had cooled, and somebody came ten minutes after opening
        assert sorted(waits["wait_min"].round()) == sorted([130 - baseline * share] * 3 + [10, 10])


def test_a_stage_before_all_that_is_written_down_is_taken_as_done_before_once_many_builds_show_none():
    names = [f"b{number}" for number in range(20)]
    silent = pd.DataFrame({"build_id": names, "process": "PBF", "stage": "design_adaptation", "place": 0, "minutes": 60.0,
                           "floor_min": 0.0, "alone": False})  # fmt: skip
    gaps = pd.DataFrame({"build_id": names, "process": "PBF", "stage": "printing", "place": 5, "past": 1.0, "started": 9.0,
                         "ready": 8.0, "alone": 0.0, "by_hand": 0.0})  # fmt: skip
    assert silent_shares(gaps, silent, shop()) == {("PBF", "design_adaptation"): 0.0}
    assert silent_shares(gaps, silent.iloc[1:], shop()) == {}
    answer = silent_shares(gaps, silent, shop(), not_written={("PBF", "design_adaptation")})
    assert answer == {("PBF", "design_adaptation"): 1.0}  # somebody answered that it is done here
