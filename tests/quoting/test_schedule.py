"""Jobs through machines and people, against arithmetic by hand; and laws of more work and more hands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.calendar.clock import OpenClock
from calib.errors import NoPlanError
from calib.quoting.resources import People, Servers, check_people
from calib.quoting.schedule import Job, Resources, run_jobs, runs_dry_at
from calib.quoting.staff import several_servers
from calib.shop.model import Crew, Machine, Shop, Station

HANDS = {"machine_setup": 1.0, "unloading": 1.0, "washing": 0.4, "inspection": 1.0}


def shop(hours=None, crews=(), stations=(), **machine) -> Shop:
    made = Machine("m", "VPP", "masked", (100, 100, 100), ("r",), {"least_time_inside_min": 30.0}, **machine)
    return Shop(
        "lab", "UTC", hours, (), {"m": made}, {}, {one.id: one for one in stations}, {one.id: one for one in crews},
        {}, (), {},
    )  # fmt: skip


def job(name: str, minutes: dict[str, float], draws: int = 1, **more) -> Job:
    return Job(
        name, more.pop("machine", "m"), tuple(minutes), {stage: np.full(draws, m) for stage, m in minutes.items()},
        {stage: HANDS.get(stage, 0.0) for stage in minutes}, **more,
    )  # fmt: skip


def ends(jobs: list[Job], lab: Shop, start: float = 0.0) -> dict[str, float]:
    resources = Resources(lab, OpenClock(lab.hours, (), "UTC"), len(jobs[0].minutes[jobs[0].stages[0]]), start)
    found: dict[str, float] = {}
    for run in run_jobs(jobs, resources):
        found[run.job] = max(found.get(run.job, 0.0), float(run.end[0]))
    return found


BUILD = {"machine_setup": 10.0, "printing": 100.0, "unloading": 5.0, "washing": 20.0}


def test_one_machine_always_open_is_the_sum():
    assert ends([job("a", BUILD)], shop())["a"] == 135


def test_the_second_build_waits_for_the_machine_not_for_the_bath():
    found = ends([job("a", BUILD), job("b", BUILD)], shop())
    assert found == {"a": 135, "b": 115 + 135}


def test_one_person_is_in_one_place_at_a_time():
    # a is unloaded from 110 to 115, its bath loaded to 119; b is set up from 119: 119 + 10 + 100 + 5 + 20
    assert ends([job("a", BUILD), job("b", BUILD)], shop(crews=[Crew("one", 1)]))["b"] == 119 + 135


def test_printing_runs_on_at_night_and_hands_wait_for_the_morning():
    nine_to_five = (((540, 1020),),) * 7
    start = 16 * 60.0  # a Thursday, 16:00
    found = ends([job("a", {"machine_setup": 30.0, "printing": 200.0, "unloading": 15.0})], shop(nine_to_five), start)
    assert found["a"] == 1440 + 540 + 15


@pytest.mark.parametrize(
    ("dry_at", "ready"),
    [
        ((), 26),  # 10 h from 16 h on
        ((0.1,), 26),  # dry at 17 h, when somebody is there
        ((0.5,), 32 + 5),  # dry at 21 h: stands still until 8 in the morning
        ((0.1, 0.6), 32 + 4),
        ((0.5, 0.9), 32 + 5),
    ],
)
def test_a_machine_that_runs_dry_at_night_stands_still_until_somebody_is_there(dry_at, ready):
    lab = shop(hours=tuple(((8 * 60, 18 * 60),) for _ in range(7)))
    found = ends([job("a", {"printing": 600.0}, dry_at=dry_at)], lab, start=16 * 60.0)
    assert found["a"] / 60 == pytest.approx(ready)


@settings(max_examples=30, deadline=None)
@given(st.floats(0.1, 6.0), st.floats(0.1, 6.0), st.floats(60.0, 3000.0), st.floats(0.0, 2000.0))
def test_no_stop_makes_a_print_shorter(less, more, minutes, start):
    lab = shop(hours=tuple(((8 * 60, 18 * 60),) for _ in range(7)))
    one, two = (
        ends([job("a", {"printing": minutes}, dry_at=runs_dry_at(fillings))], lab, start)["a"]
        for fillings in (min(less, more), max(less, more))
    )
    assert two >= start + minutes - 1e-6
    assert one >= start + minutes - 1e-6


def test_what_may_not_run_unattended_starts_when_it_ends_before_closing():
    nine_to_five = (((540, 1020),),) * 7
    lab = shop(nine_to_five, lights_out=False)
    found = ends([job("a", {"machine_setup": 30.0, "printing": 200.0, "unloading": 15.0})], lab, 16 * 60.0)
    assert found["a"] == 1440 + 540 + 200 + 15


def test_a_removable_chamber_frees_the_machine_while_the_cake_cools():
    cake = {"machine_setup": 10.0, "printing": 100.0, "cool_down": 500.0, "breakout": 20.0}
    fixed = ends([job("a", cake), job("b", cake)], shop())
    removable = ends([job("a", cake), job("b", cake)], shop(chambers=2))
    assert fixed["b"] == 610 + 630
    assert removable["b"] == 110 + 30 + 630  # the least time inside is 30


def test_a_bath_with_one_place_is_shared():
    found = ends(
        [job("a", {"washing": 60.0}, machine=None), job("b", {"washing": 60.0}, machine=None)],
        shop(stations=[Station("bath", ("washing",))]),
    )
    assert found == {"a": 60, "b": 120}


def test_a_failed_attempt_costs_setting_up_printing_and_clearing():
    failed = np.array([[0.5]])
    assert ends([job("a", BUILD, failed_at=failed)], shop())["a"] == 135 + 10 + 50 + 5


def test_a_failed_attempt_at_night_holds_the_machine_and_does_not_run():
    # set up 16:30 to 16:40, printed 50 min until it failed at 17:30; cleared away from 8:00 to 8:05
    lab = shop((((480, 1020),),) * 7)
    resources = Resources(lab, OpenClock(lab.hours, (), "UTC"), 1, 990.0)
    run_jobs([job("a", BUILD, failed_at=np.array([[0.5]]))], resources)
    assert resources.failed_min["a"] == 1440 + 485 - 990
    assert resources.failed_ran_min["a"] == 10 + 50 + 5


def test_work_after_all_builds_waits_for_the_last():
    jobs = [job("a", BUILD), job("b", BUILD), job("end", {"inspection": 7.0}, machine=None, after=("a", "b"))]
    assert ends(jobs, shop())["end"] == 250 + 7


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(*[st.floats(1, 300)] * 4), min_size=2, max_size=6),
    st.integers(1, 3),
    st.floats(1, 200),
)
def test_more_builds_and_longer_work_never_end_sooner(builds, people, longer):
    lab = shop((((480, 1020),),) * 7, crews=[Crew("bench", people)], stations=[Station("bath", ("washing",))])
    jobs = [job(f"j{i}", dict(zip(BUILD, minutes, strict=True))) for i, minutes in enumerate(builds)]
    every = ends(jobs, lab)
    fewer = ends(jobs[:-1], lab)
    assert all(every[name] >= end - 1e-6 for name, end in fewer.items())
    last = dict(zip(BUILD, builds[-1], strict=True))
    slower = ends([*jobs[:-1], job(jobs[-1].name, {**last, "washing": last["washing"] + longer})], lab)
    assert max(slower.values()) >= max(every.values()) - 1e-6


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.tuples(*[st.floats(1, 300)] * 4), min_size=2, max_size=5),
    st.lists(st.floats(0, 200), min_size=4, max_size=4),
    st.integers(1, 3),
)
def test_a_person_more_is_never_later_and_an_unrelated_order_before_never_sooner(builds, waits, people):
    # with waits as logged; the unrelated order has a machine of its own and shares people and the bath
    lab = shop((((480, 1020),),) * 7, crews=[Crew("bench", people)], stations=[Station("bath", ("washing",))])
    waiting = {stage: np.full(1, wait) for stage, wait in zip(BUILD, waits, strict=True) if stage != "printing"}
    jobs = [job(f"j{i}", dict(zip(BUILD, minutes, strict=True)), waits=waiting) for i, minutes in enumerate(builds)]
    found = ends(jobs, lab)
    more = ends(jobs, replace(lab, crews={"bench": Crew("bench", people + 1)}))
    assert all(more[name] <= end + 1e-6 for name, end in found.items())
    other = replace(jobs[0], name="other", machine="n")
    lab = replace(lab, machines={**lab.machines, "n": replace(lab.machines["m"], id="n")})
    assert all(ends([other, *jobs], lab)[name] >= end - 1e-6 for name, end in found.items())


def test_nobody_for_a_stage_is_one_sentence():
    lab = shop(crews=[Crew("setters", 1, ("machine_setup",))])
    assert check_people(lab, ["machine_setup"]) == ""
    assert 'no crew does "sanding"' in check_people(lab, ["sanding"])
    with pytest.raises(NoPlanError, match='No crew of the shop does "sanding"'):
        People(lab, OpenClock(None, (), "UTC"), 1, 0.0).able("sanding")


@pytest.mark.parametrize("servers", [1, 3])
def test_the_recursion_waits_as_the_formula_says(servers):
    # M/M/c at a load of 0.7: mean wait of 400 queues of 1500 customers each, after 300 to warm up
    rng = np.random.default_rng(5)
    queues, rate = 400, 0.7 * servers
    line, now, waited = Servers(servers, queues, 0.0), np.zeros(queues), []
    for _ in range(1800):
        now = now + rng.exponential(1 / rate, queues)
        server, free = line.earliest()
        begin = np.maximum(now, free)
        line.take(server, begin + rng.exponential(1.0, queues))
        waited.append(begin - now)
    assert np.mean(waited[300:]) == pytest.approx(several_servers(rate, 1.0, servers).wait, rel=0.05)


def test_nothing_is_left_alone_after_the_hour_that_the_shop_states():
    # open 9 to 17, no unattended start after 16:00: at 15:45 half an hour of setting up would end at 16:15
    lab = replace(shop((((540, 1020),),) * 7), quoting={"no_unattended_start_after": "16:00"})
    build = {"machine_setup": 30.0, "printing": 200.0, "unloading": 15.0}
    assert ends([job("a", build)], lab, 15 * 60.0)["a"] == 1440 + 540 + 15
    assert ends([job("a", build)], lab, 15 * 60.0 + 45)["a"] == 1440 + 540 + 30 + 200 + 15


def test_who_can_do_a_stage_does_it_and_nobody_else():
    # two builds at once on two machines; one setter for both, two people at the bench
    lab = shop(crews=[Crew("setter", 1, ("machine_setup",)), Crew("bench", 2, ("unloading", "inspection"))])
    lab = replace(lab, machines={**lab.machines, "n": replace(lab.machines["m"], id="n")})
    build = {"machine_setup": 30.0, "printing": 100.0, "unloading": 15.0}
    found = ends([job("a", build), job("b", build, machine="n")], lab)
    assert found == {"a": 145, "b": 175}
    alike = replace(lab, crews={"all": Crew("all", 3)})
    assert ends([job("a", build), job("b", build, machine="n")], alike) == {"a": 145, "b": 145}
    both = replace(lab, crews={**lab.crews, "second": Crew("second", 1, ("machine_setup", "inspection"))})
    assert ends([job("a", build), job("b", build, machine="n")], both) == {"a": 145, "b": 145}
