"""Jobs through machines, stations and people, all draws at once: when does each stage of each build start and end?

One pass over the tasks in a fixed order: by the times that the builds' usual minutes would give if nobody were in the
way. Within the pass every start is the latest of what it waits for, and every end is one step of the calendar.
"""

from __future__ import annotations

import math
from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from calib.calendar.clock import OpenClock, weekly_moments
from calib.calendar.week import until
from calib.quoting.resources import Held, People, Servers, Stations
from calib.records import hands_of
from calib.shop.model import Machine, Shop

ON_MACHINE = ("machine_setup", "warm_up", "printing", "cool_down", "unloading", "machine_cleaning")
MOST_REFILLS = 50  # of one print: more than that is a machine with a supply of its own
BESIDE = ("powder_recovery",)  # work that the parts do not wait for
SPENT_ON_FAILURE = ("machine_setup", "warm_up", "printing", "cool_down", "unloading", "machine_cleaning")


@dataclass(frozen=True, eq=False)
class Job:
    """A build, or what is done once for an order.

    stages : in order
    minutes : stage -> shape (draws,) [min]
    touch_share : stage -> share of its minutes with hands on [-]
    waits : stage -> open-hours wait before it, once its machine is free, shape (draws,) [min]; a stage without waits
        goes on at once
    failed_at : shape (attempts, draws), share of the printing after which an attempt failed; 0 where it did not
    dry_at : shares of the printing after which the machine has run dry and stands still until somebody is there
    after : names of jobs that must be done before this one starts
    ready : wall time before which it cannot start [min]
    in_shared_build : goes along in the build that the machine closes at its cut-offs
    usual : stage -> its usual minutes, by which tasks are put in order; absent: the median of the draws
    """

    name: str
    machine: str | None
    stages: tuple[str, ...]
    minutes: dict[str, np.ndarray]
    touch_share: dict[str, float]
    waits: dict[str, np.ndarray] = field(default_factory=dict)
    failed_at: np.ndarray | None = None
    dry_at: tuple[float, ...] = ()
    after: tuple[str, ...] = ()
    ready: float = -np.inf
    parts: int = 0
    in_shared_build: bool = False
    usual: dict[str, float] = field(default_factory=dict)

    @cached_property
    def usually(self) -> dict[str, float]:
        """Usual minutes of each stage."""
        if self.usual:
            return self.usual
        middle = np.median(np.stack([self.minutes[stage] for stage in self.stages]), axis=1)
        return dict(zip(self.stages, middle.tolist(), strict=True))


@dataclass(frozen=True, eq=False)
class Run:
    """One stage of one job on the time axis, arrays of shape (draws,) of wall minutes.

    lane : 'hands', 'machine' or 'waiting' (for an end that nobody needs to see: baths, ovens, cooling)
    """

    job: str
    stage: str
    lane: str
    start: np.ndarray
    end: np.ndarray


def ends_of(runs: Iterable[Run]) -> dict[str, np.ndarray]:
    """When the parts of each job are through, shape (draws,) [wall min]: work that they do not wait for does not count."""
    ends: dict[str, np.ndarray] = {}
    for run in runs:
        if run.stage not in BESIDE:
            ends[run.job] = np.maximum(ends[run.job], run.end) if run.job in ends else run.end
    return ends


@dataclass(frozen=True, eq=False)
class Ahead:
    """What builds take that go before others, arrays of shape (draws,) of wall minutes unless stated otherwise.

    free, printing_from : of each machine, when it is left, and when its last print begins
    chambers : machine -> shape (chambers, draws)
    usual_free, usual_printing : the same times by usual minutes, which put tasks in order
    people, stations : what they are held for, in the order of tasks
    """

    free: dict[str, np.ndarray] = field(default_factory=dict)
    printing_from: dict[str, np.ndarray] = field(default_factory=dict)
    chambers: dict[str, np.ndarray] = field(default_factory=dict)
    usual_free: dict[str, float] = field(default_factory=dict)
    usual_printing: dict[str, float] = field(default_factory=dict)
    people: Sequence[Held] = ()
    stations: Sequence[Held] = ()

    def each(self, change: Callable[[np.ndarray], np.ndarray]) -> Ahead:
        """The same with other draws.

        change : arrays of shape (..., draws) -> (..., other draws)
        """

        def changed(values: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
            return {name: change(draws) for name, draws in values.items()}

        people, stations = (
            [(task_time, stage, change(begin), change(end)) for task_time, stage, begin, end in held]
            for held in (self.people, self.stations)
        )
        return replace(
            self, free=changed(self.free), printing_from=changed(self.printing_from), chambers=changed(self.chambers),
            people=people, stations=stations,
        )  # fmt: skip


class Resources:
    """The shop's resources while one plan runs through them.

    unlimited : a machine that several builds can be in at once: for asking what waiting for it costs
    ahead : what goes before, whatever comes after
    failed_min : job -> minutes that its failed attempts had the machine, shape (draws,) [wall min]; failed_ran_min : those
        of them in which it was worked at or ran
    """

    def __init__(
        self, shop: Shop, clock: OpenClock, draws: int, start: float, unlimited: str = "", ahead: Ahead | None = None
    ) -> None:
        self.shop, self.clock, self.start, self.draws = shop, clock, start, draws
        self.unlimited = unlimited
        self.failed_min, self.failed_ran_min = dict[str, np.ndarray](), dict[str, np.ndarray]()
        self.people = People(shop, clock, draws, start)
        self.stations = Stations(shop, draws, start)
        self.machines: dict[str, Servers] = defaultdict(lambda: Servers(1, draws, start))
        self.chambers: dict[str, Servers] = {}
        ahead = ahead or Ahead()
        for name, left in ahead.free.items():
            self.machines[name].free[0] = np.maximum(start, left)
        for name, each in ahead.chambers.items():
            self.chambers[name] = Servers(len(each), draws, start)
            self.chambers[name].free[:] = np.maximum(start, each)
        self.printing_from = dict(ahead.printing_from)
        self.usual_free, self.usual_printing = dict(ahead.usual_free), dict(ahead.usual_printing)
        self._to_come: list[tuple[People | Stations, deque[Held]]] = [
            (self.people, deque(ahead.people)), (self.stations, deque(ahead.stations))
        ]  # fmt: skip
        latest = shop.quoting.get("no_unattended_start_after")
        self.starts = OpenClock(until(shop.attended, latest), shop.closures, shop.timezone) if latest else None
        self._cutoffs: dict[str, np.ndarray] = {}

    def next_cutoff(self, machine: Machine, now: np.ndarray) -> np.ndarray:
        """When the machine's next shared build is closed and started.

        now : shape (draws,) [wall min] -> the same shape.
        """
        if machine.id not in self._cutoffs:
            self._cutoffs[machine.id] = weekly_moments(machine.cutoffs, self.shop.timezone, self.start)
        cutoffs = self._cutoffs[machine.id]
        return cutoffs[np.minimum(np.searchsorted(cutoffs, now, side="left"), len(cutoffs) - 1)]

    def reach(self, task_time: float) -> None:
        """What goes before has people and stations up to this task of the order."""
        for held, to_come in self._to_come:
            while to_come and to_come[0][0] <= task_time:
                held.task_time, stage, begin, end = to_come.popleft()
                held.hold_still(stage, begin, end)
            held.task_time = task_time

    def left_ahead(self) -> Ahead:
        """What comes after must let go before."""
        return Ahead(
            {name: servers.free[0] for name, servers in self.machines.items()},
            self.printing_from,
            {name: servers.free for name, servers in self.chambers.items()},
            self.usual_free,
            self.usual_printing,
            self.people.held,
            self.stations.held,
        )

    def chambers_of(self, machine: Machine) -> Servers:
        if machine.id not in self.chambers:
            self.chambers[machine.id] = Servers(max(1, machine.chambers), self.draws, self.start)
        return self.chambers[machine.id]


def run_jobs(jobs: Sequence[Job], resources: Resources) -> list[Run]:
    """Start and end of every stage of every job. Jobs of one machine are served in the order given."""
    done: dict[str, np.ndarray] = {}
    runs: list[Run] = []
    resources.people.slack = resources.stations.slack = np.inf if any(job.waits for job in jobs) else 0.0
    job_runs = {job.name: JobRun(job, resources, runs.append, done) for job in jobs}
    for task_time, job_name, stage, collects in _task_order(jobs, resources):
        resources.reach(task_time)
        if collects:
            job_runs[job_name].collect(stage)
        else:
            job_runs[job_name].step(stage)
    return runs


def runs_dry_at(fillings: float, under_way: bool = False) -> tuple[float, ...]:
    """Shares of a print after which each filling but the last is used up.

    under_way : it prints already, and how much is left in the machine is not known: no stop is foretold

    >>> runs_dry_at(2.5), runs_dry_at(1.0)
    ((0.4, 0.8), ())
    """
    if under_way or not fillings > 1.0:
        return ()
    return tuple(number / fillings for number in range(1, min(math.ceil(fillings), MOST_REFILLS + 1)))


def is_load(job: Job, stage: str) -> bool:
    """Whether hands are wanted at the start and again at the end, and not between."""
    return hands_of(stage) == "ends" and 0 < job.touch_share.get(stage, 0.0) < 0.999


class JobRun:
    """One job on its way; ``step`` takes its next stage, ``collect`` ends a load."""

    def __init__(
        self, job: Job, resources: Resources, keep: Callable[[Run], None], done: dict[str, np.ndarray]
    ) -> None:
        self.job, self.resources, self.keep, self.done = job, resources, keep, done
        self.now: np.ndarray | None = None
        self.machine = resources.shop.machines.get(job.machine) if job.machine else None
        self.chamber: np.ndarray | None = None
        self.held: tuple[np.ndarray, np.ndarray] | None = None
        self.wait: np.ndarray | float = 0.0  # open minutes that whoever comes next lets it wait
        self.until = np.zeros(0)  # when the place of a load is free if it is fetched at once

    def step(self, stage: str) -> None:
        now = self._begin() if self.now is None else self.now
        takes_machine = stage in self._machine_stages()[:1]
        self.wait = self.job.waits.get(stage, 0.0)
        if takes_machine:
            now = self._on_machine(now)
        if stage in self.job.waits and not self._begins_by_hand(stage):
            now, self.wait = self.resources.clock.after(now, self.job.waits[stage]), 0.0
        if stage == "printing" and self.job.machine:
            self.resources.printing_from[self.job.machine] = now
        self.held = self.resources.stations.earliest(stage)
        now = now if self.held is None else np.maximum(now, self.held[1])
        if is_load(self.job, stage):
            self._load(stage, now)
        else:
            self._end(stage, now, self._run(stage, now))

    def _begins_by_hand(self, stage: str) -> bool:
        """Whether a person begins it wherever they stand: then its wait is theirs, in one look at the clock."""
        return self.job.touch_share.get(stage, 0.0) > 0 and stage not in self.resources.stations

    def _load(self, stage: str, ready: np.ndarray) -> None:
        minutes, share = self.job.minutes[stage], self.job.touch_share[stage]
        loaded = self._by_hand(stage, ready, share / 2 * minutes)
        self.now = self._alone(stage, loaded, (1 - share) * minutes)
        if self.held is not None:
            self.until = self.now + share / 2 * minutes
            self.resources.stations.hold(stage, self.held[0], ready, self.until)

    def collect(self, stage: str) -> None:
        assert self.now is not None
        share = self.job.touch_share[stage]
        self._end(stage, self.until, self._by_hand(stage, self.now, share / 2 * self.job.minutes[stage]))

    def _end(self, stage: str, begin: np.ndarray, end: np.ndarray) -> None:
        if self.held is not None:
            self.resources.stations.hold(stage, self.held[0], begin, end)
        if stage not in BESIDE:
            self.now = end
        self._leave(stage, end)
        if stage == self.job.stages[-1]:
            self.done[self.job.name] = self.now if self.now is not None else end

    def _begin(self) -> np.ndarray:
        now = np.full(self.resources.draws, max(self.resources.start, self.job.ready))
        for name in self.job.after:
            if name in self.done:  # else it had nothing left to do
                now = np.maximum(now, self.done[name])
        machine = self.job.machine
        if (
            machine
            and machine != self.resources.unlimited
            and self._machine_stages()
            and machine in self.resources.printing_from
        ):
            now = np.maximum(now, self.resources.printing_from[machine])
        self.now = now
        return now

    def _machine_stages(self) -> list[str]:
        return [stage for stage in self.job.stages if self.job.machine and stage in ON_MACHINE]

    def _on_machine(self, now: np.ndarray) -> np.ndarray:
        """Wait for the machine and a chamber; then go through the attempts that fail."""
        assert self.job.machine is not None
        if self.job.machine != self.resources.unlimited:
            now = np.maximum(now, self.resources.machines[self.job.machine].free[0])
        if self.machine and self.machine.chambers > 1:
            self.chamber, free = self.resources.chambers_of(self.machine).earliest()
            now = np.maximum(now, free)
        if self.job.in_shared_build and self.machine and self.machine.cutoffs:
            now = self.resources.next_cutoff(self.machine, now)
        if self.resources.starts is not None:
            now = self._early_enough(self.resources.starts, now)
        taken, ran = now, np.zeros(len(now))
        for share in self.job.failed_at if self.job.failed_at is not None else ():
            failed = np.flatnonzero(share)
            if len(failed):
                now = now.copy()
                now[failed], worked = self._failed_attempt(now[failed], share[failed], failed)
                ran[failed] += worked
        self.resources.failed_min[self.job.name], self.resources.failed_ran_min[self.job.name] = now - taken, ran
        return now

    def _early_enough(self, starts: OpenClock, now: np.ndarray) -> np.ndarray:
        """When to set up so that the machine is left alone before the hour after which none is."""
        setting_up = self.job.minutes.get("machine_setup", np.zeros(self.resources.draws))
        inside = starts.within(now, np.minimum(setting_up, starts.longest_span()))
        return np.where(np.isfinite(inside), inside, starts.next_open(now))

    def _failed_attempt(self, now: np.ndarray, share: np.ndarray, failed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Setting up, printing until it failed, cooling wholly, and clearing away; a person finds it in opening hours.

        now, share : of the draws that ``failed``. Returns when it is over, and how much of it was work or running.
        """
        clock = self.resources.clock

        def minutes(stage: str) -> np.ndarray | float:
            return self.job.minutes[stage][failed] if stage in self.job.minutes else 0.0

        alone = minutes("warm_up") + share * minutes("printing") + minutes("cool_down")
        before, after = minutes("machine_setup"), minutes("unloading") + minutes("machine_cleaning")
        end = clock.work(clock.work(now, before)[1] + alone, after)[1]
        return end, before + alone + after

    def _run(self, stage: str, ready: np.ndarray) -> np.ndarray:
        minutes, share = self.job.minutes[stage], self.job.touch_share.get(stage, 0.0)
        if share >= 0.999:
            return self._by_hand(stage, ready, minutes)
        if share <= 0:
            return self._alone(stage, ready, minutes)
        return self._alone(stage, self._by_hand(stage, ready, share * minutes), (1 - share) * minutes)

    def _by_hand(self, stage: str, ready: np.ndarray, minutes: np.ndarray) -> np.ndarray:
        start, end = self.resources.people.work(stage, ready, minutes, self.wait)
        self.wait = 0.0
        self.keep(Run(self.job.name, stage, "hands", start, end))
        return end

    def _alone(self, stage: str, ready: np.ndarray, minutes: np.ndarray) -> np.ndarray:
        start = ready
        if stage == "printing" and self.machine is not None and not self.machine.lights_out:
            inside = self.resources.clock.within(ready, minutes)
            start = np.where(np.isfinite(inside), inside, self.resources.clock.next_open(ready))
        end = self._refilled(start, minutes) if stage == "printing" else start + minutes
        lane = "machine" if stage in ("warm_up", "printing") else "waiting"
        self.keep(Run(self.job.name, stage, lane, start, end))
        return end

    def _refilled(self, start: np.ndarray, minutes: np.ndarray) -> np.ndarray:
        """End of a print that stands still wherever it has run dry until somebody is there; filling is in the set-up."""
        end, printed = start, 0.0
        for share in self.job.dry_at:
            end, printed = self.resources.clock.next_open(end + (share - printed) * minutes), share
        return end + (1.0 - printed) * minutes

    def _leave(self, stage: str, end: np.ndarray) -> None:
        """Free the machine, and the chamber when its cake is broken out."""
        job = self.job
        if job.machine is None:
            return
        inside = self._machine_stages()
        removable = self.machine is not None and self.machine.chambers > 1
        if removable and stage == "printing" and self.machine is not None:
            least = self.machine.params.get("least_time_inside_min", 0.0)
            self.resources.machines[job.machine].free[0] = end + least
        if not removable and inside and stage == inside[-1]:
            self.resources.machines[job.machine].free[0] = end
        if removable and self.chamber is not None and self.machine is not None and stage == self._opened():
            self.resources.chambers_of(self.machine).take(self.chamber, end)

    def _opened(self) -> str:
        return "breakout" if "breakout" in self.job.stages else self.job.stages[-1]


def _task_order(jobs: Sequence[Job], resources: Resources) -> list[tuple[float, str, str, bool]]:
    """Tasks by their place in order, the time at which each would start with usual minutes and nobody in the way; ties by job, then stage.

    A job's keys do not depend on jobs after it, so that a further build leaves the order of the others as it was.
    """
    keys: list[tuple[float, int, int, str, str, bool]] = []
    ends: dict[str, float] = {}
    machine_free, printing_from = resources.usual_free, resources.usual_printing
    for number, job in enumerate(jobs):
        now = max([resources.start, job.ready, *(ends[name] for name in job.after)])
        if not set(ON_MACHINE).isdisjoint(job.stages):
            now = max(now, printing_from.get(job.machine or "", -np.inf))
        last = -np.inf
        for step, stage in enumerate(job.stages):
            if job.machine and stage == next((s for s in job.stages if s in ON_MACHINE), None):
                now = max(now, machine_free.get(job.machine, -np.inf))
            hands = hands_of(stage)
            usual = job.usually[stage]
            start, end = (now, now) if hands == "none" else resources.clock.work_once(now, usual)
            last = max(last, start)
            if stage == "printing" and job.machine:
                printing_from[job.machine] = start
            keys.append((last, number, 2 * step, job.name, stage, False))
            now = end if hands == "all" else start + usual
            if is_load(job, stage):
                last = max(last, start + usual * (1 - job.touch_share[stage] / 2))
                keys.append((last, number, 2 * step + 1, job.name, stage, True))
            if job.machine and stage in ON_MACHINE:
                machine_free[job.machine] = now
        ends[job.name] = now
    return [(task_time, *task) for task_time, _, _, *task in sorted(keys)]  # type: ignore[misc]
