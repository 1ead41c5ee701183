"""Laws of the schedule over random labs: people, stations, machines with chambers, waits, failures.

Crews with hours of their own are left out: who is done first does a task, and one that is taken by another crew may let a
third begin sooner (tests/quoting/test_shifts.py has what holds of them)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.calendar.clock import OpenClock
from calib.quoting.flow import spread_over
from calib.quoting.schedule import Ahead, Job, Resources, ends_of, run_jobs
from calib.shop.model import Crew, Machine, Shop, Station

DAY = (((480, 1020),),) * 5 + ((), ())
STAGES = ("file_prep", "machine_setup", "printing", "cool_down", "unloading", "washing", "support_removal", "packing")
HANDS = {"printing": 0.0, "cool_down": 0.0, "washing": 0.3}
DRAWS, MONDAY = 3, 4 * 1440.0 + 480


@st.composite
def labs(draw) -> Shop:
    machines = {
        f"m{i}": Machine(f"m{i}", "VPP", "masked", (9, 9, 9), ("r",), {}, chambers=draw(st.integers(1, 2)))
        for i in range(draw(st.integers(1, 3)))
    }
    crews = {"day": Crew("day", draw(st.integers(1, 3)))}
    stations = {"bath": Station("bath", ("washing",), draw(st.integers(1, 2)))} if draw(st.booleans()) else {}
    return Shop("lab", "UTC", draw(st.sampled_from([DAY, None])), (), machines, {}, stations, crews, {}, (), {})


@st.composite
def work(draw, lab: Shop, fewest: int = 2) -> list[Job]:
    """Builds as they come in; all with waits, as logged or before any log."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    names = list(lab.machines)
    return [
        Job(
            f"j{number}", names[rng.integers(len(names))], STAGES,
            {stage: rng.lognormal(3.5, 1.0, DRAWS) for stage in STAGES},
            {stage: HANDS.get(stage, 1.0) for stage in STAGES},
            {stage: rng.lognormal(3.0, 1.0, DRAWS) for stage in STAGES if HANDS.get(stage, 1.0)},
            failed_at=np.where(rng.random((1, DRAWS)) < 0.2, rng.random((1, DRAWS)), 0.0),
            ready=MONDAY + float(rng.uniform(0, 600)) * number,
        )
        for number in range(draw(st.integers(fewest, 6)))
    ]  # fmt: skip


@st.composite
def labs_at_work(draw) -> tuple[Shop, list[Job]]:
    lab = draw(labs())
    return lab, draw(work(lab))


def through(jobs: list[Job], lab: Shop, ahead: Ahead | None = None) -> tuple[dict[str, np.ndarray], Ahead]:
    resources = Resources(lab, OpenClock(lab.attended, (), "UTC"), DRAWS, MONDAY, ahead=ahead)
    return ends_of(run_jobs(jobs, resources)), resources.left_ahead()


def never_sooner(later: dict[str, np.ndarray], than: dict[str, np.ndarray]) -> bool:
    return all(np.all(later[name] >= end - 1e-6) for name, end in than.items() if name in later)


@settings(max_examples=60, deadline=None)
@given(labs_at_work())
def test_more_builds_are_never_sooner(given_lab):
    lab, jobs = given_lab
    assert never_sooner(through(jobs, lab)[0], through(jobs[:-1], lab)[0])


@settings(max_examples=60, deadline=None)
@given(labs_at_work(), st.integers(0, 5), st.sampled_from(STAGES), st.floats(1, 300))
def test_longer_work_is_never_sooner(given_lab, which, stage, longer):
    lab, jobs = given_lab
    job = jobs[which % len(jobs)]
    slower = replace(
        job, minutes={**job.minutes, stage: job.minutes[stage] + longer}, usual={s: job.usually[s] for s in STAGES}
    )
    before, after = ([replace(one, usual={s: one.usually[s] for s in STAGES}) for one in jobs] for _ in range(2))
    after[jobs.index(job)] = slower
    assert never_sooner(through(after, lab)[0], through(before, lab)[0])


@settings(max_examples=60, deadline=None)
@given(labs_at_work())
def test_one_more_person_or_place_is_never_later(given_lab):
    lab, jobs = given_lab
    today = through(jobs, lab)[0]
    for name, crew in lab.crews.items():
        more = replace(lab, crews={**lab.crews, name: replace(crew, size=crew.size + 1)})
        assert never_sooner(today, through(jobs, more)[0])
    for name, station in lab.stations.items():
        more = replace(lab, stations={name: replace(station, places=station.places + 1)})
        assert never_sooner(today, through(jobs, more)[0])


@settings(max_examples=60, deadline=None)
@given(labs_at_work())
def test_a_machine_more_is_never_later_on_the_whole_once_builds_go_where_it_is_best(given_lab):
    # as what-ifs do: builds as they went, or spread over all machines, whichever is sooner on the whole
    lab, jobs = given_lab
    more = replace(lab, machines={**lab.machines, "new": replace(lab.machines["m0"], id="new")})
    rows = [{"process": "VPP", "machine": job.machine, "material": "r", "height_mm": 1.0} for job in jobs]
    busy = [float(sum(np.median(job.minutes[stage]) for stage in STAGES[1:5])) for job in jobs]
    names = spread_over(rows, [job.ready for job in jobs], busy, list(more.machines.values()))
    spread = [replace(job, machine=name) for job, name in zip(jobs, names, strict=True)]
    today, as_they_went, best = (through(one, shop)[0] for one, shop in ((jobs, lab), (jobs, more), (spread, more)))
    assert all(np.allclose(as_they_went[name], end) for name, end in today.items())
    assert min(sum(np.sum(end) for end in ends.values()) for ends in (as_they_went, best)) <= sum(
        np.sum(end) for end in today.values()
    )


@settings(max_examples=60, deadline=None)
@given(labs_at_work())
def test_an_unrelated_order_before_is_never_sooner(given_lab):
    lab, jobs = given_lab
    own = replace(lab, machines={**lab.machines, "other": replace(lab.machines["m0"], id="other")})
    other = replace(jobs[0], name="unrelated", machine="other", ready=MONDAY)
    assert never_sooner(through([other, *jobs], own)[0], through(jobs, own)[0])
