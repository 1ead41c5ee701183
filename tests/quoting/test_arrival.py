"""All draws in one pass against every draw on its own, served in order of arrival; and against queueing formulas."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.calendar.clock import OpenClock
from calib.quoting import schedule
from calib.quoting.schedule import ON_MACHINE, Job, Resources, run_jobs
from calib.shop.model import Crew, Machine, Shop, Station

DAYS = (((480, 1020),),) * 5 + ((), ())
STAGES = {"file_prep": 10, "machine_setup": 15, "printing": 400, "unloading": 10, "washing": 40, "support_removal": 30,
          "post_curing": 40, "inspection": 10}  # fmt: skip
HANDS = {"printing": 0.0, "washing": 0.3, "post_curing": 0.3}


def lab(people: int, machines: int = 2) -> Shop:
    made = {f"m{i}": Machine(f"m{i}", "VPP", "masked", (9, 9, 9), ("r",), {}) for i in range(machines)}
    stations = {name: Station(name, (name,)) for name in ("washing", "post_curing")}
    return Shop("lab", "UTC", DAYS, (), made, {}, stations, {"all": Crew("all", people)}, {}, (), {})


def builds(count: int, draws: int, waits: bool, machines: int = 2) -> list[Job]:
    rng = np.random.default_rng(8)
    return [
        Job(
            f"build {i}",
            f"m{i % machines}",
            tuple(STAGES),
            {stage: usual * np.exp(0.4 * rng.standard_normal(draws)) for stage, usual in STAGES.items()},
            {stage: HANDS.get(stage, 1.0) for stage in STAGES},
            {s: np.where(rng.random(draws) < 0.2, 0, rng.lognormal(3.5, 1.2, draws)) for s in STAGES if s != "printing"}
            if waits
            else {},
        )
        for i in range(count)
    ]


def one_draw(jobs: list[Job], draw: int) -> list[Job]:
    def cut(values):
        return {stage: minutes[draw : draw + 1] for stage, minutes in values.items()}

    return [replace(job, minutes=cut(job.minutes), waits=cut(job.waits)) for job in jobs]


def by_arrival(jobs: list[Job], resources: Resources) -> float:
    """When all is done if of all tasks that can be next the one that is ready first always goes first."""
    done: dict[str, np.ndarray] = {}
    runs: list[schedule.Run] = []
    job_runs = {job.name: schedule.JobRun(job, resources, runs.append, done) for job in jobs}
    left = {job.name: _tasks(job) for job in jobs}
    while any(left.values()):
        able = {job: _ready(job, jobs, left, job_runs, resources) for job in jobs if left[job.name]}
        job = min((one for one, ready in able.items() if ready is not None), key=lambda one: able[one])
        stage, collects = left[job.name].pop(0)
        (job_runs[job.name].collect if collects else job_runs[job.name].step)(stage)
    return max(float(run.end[0]) for run in runs)


def _tasks(job: Job) -> list[tuple[str, bool]]:
    return [(stage, last) for stage in job.stages for last in ((False, True) if schedule.is_load(job, stage) else (0,))]


def _ready(job, jobs, left, job_runs, resources) -> float | None:
    stage, collects = left[job.name][0]
    earlier = [one for one in jobs[: jobs.index(job)] if one.machine == job.machine]
    to_come = {stage for one in earlier for stage, _ in left[one.name]}
    if (job_runs[job.name].now is None and "printing" in to_come) or (
        stage == "machine_setup" and to_come & {*ON_MACHINE}
    ):
        return None
    ready = job_runs[job.name].now if job_runs[job.name].now is not None else np.array([resources.start])
    if not collects and stage in job.waits:
        ready = resources.clock.after(ready, job.waits[stage])
    return float(ready[0])


@pytest.mark.parametrize(("people", "off"), [(1, 0.1), (3, 0.02)])
def test_waits_as_logged_end_as_a_queue_in_order_of_arrival_does(people, off):
    # one person has work for 60 % of the hours here, and is where a single line of tasks errs most
    shop, draws = lab(people), 25
    jobs, clock = builds(14, draws, waits=True), OpenClock(DAYS, (), "UTC")
    start = 4 * 1440.0 + 480  # a Monday, 8:00
    together = np.maximum.reduce([run.end for run in run_jobs(jobs, Resources(shop, clock, draws, start))])
    alone = [by_arrival(one_draw(jobs, draw), Resources(shop, clock, 1, start)) for draw in range(draws)]
    assert np.median((together - start) / (np.array(alone) - start)) == pytest.approx(1, abs=off)


def test_one_person_alone_without_waits_is_never_sooner_than_in_order_of_arrival_by_more_than_a_hair():
    shop, draws, clock = lab(1, 1), 20, OpenClock(DAYS, (), "UTC")
    jobs, start = builds(5, draws, waits=False, machines=1), 4 * 1440.0 + 480
    together = np.maximum.reduce([run.end for run in run_jobs(jobs, Resources(shop, clock, draws, start))])
    alone = np.array([by_arrival(one_draw(jobs, draw), Resources(shop, clock, 1, start)) for draw in range(draws)])
    assert np.median((together - start) / (alone - start)) == pytest.approx(1, abs=0.05)


@pytest.mark.slow
def test_a_machine_under_random_work_waits_as_pollaczek_and_khinchine_say():
    # one machine, always open, Poisson arrivals at a load of 0.7, log-normal printing with a spread of 0.5
    load, mean, spread = 0.7, 100.0, 0.5
    cv = float(np.sqrt(np.exp(spread**2) - 1))
    rng, waited = np.random.default_rng(3), []
    shop = replace(lab(1, 1), hours=None, crews={}, stations={})
    for _ in range(12):
        come = np.cumsum(rng.exponential(mean / load, 900))
        minutes = mean * np.exp(spread * rng.standard_normal((900, 60)) - spread**2 / 2)
        jobs = [Job(f"j{i}", "m0", ("printing",), {"printing": minutes[i]}, {"printing": 0.0}, ready=float(come[i]))
                for i in range(900)]  # fmt: skip
        runs = run_jobs(jobs, Resources(shop, OpenClock(None, (), "UTC"), 60, 0.0))
        waited.append(np.mean([run.start - come[i] for i, run in enumerate(runs)][100:]))
    expected = load * mean * (1 + cv**2) / (2 * (1 - load))  # Pollaczek and Khinchine: M/G/1
    assert np.mean(waited) == pytest.approx(expected, abs=4 * np.std(waited) / np.sqrt(len(waited)))
    assert np.mean(waited) == pytest.approx(expected, rel=0.15)
