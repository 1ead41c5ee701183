"""Half a year of the lab, moment by moment: builds arrive, machines run, people come and go; all of it is kept."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
from lab import (
    BUILD_SD,
    BUILDS_A_WEEK,
    CLOSURES,
    FAILED_SHARE,
    FIRST_DAY,
    HANDS,
    HOURS,
    LAST_MOMENT,
    MACHINE_STAGES,
    MACHINES,
    MATERIALS,
    OPERATORS,
    SEED,
    SHARED,
    STATIONS,
    ZONE,
    Build,
    nominal_minutes,
    true_minutes,
    utc_minutes,
)

END = utc_minutes(LAST_MOMENT)
ORDERED_AHEAD = 2 * 24 * 60  # builds that are planned when the logs end
ORDER_STAGES = ("design_adaptation", "inspection", "packing")
CLOCK_CHANGE_NIGHT = datetime(2026, 10, 25, 1, 25, 30, tzinfo=ZONE)  # this local time exists twice; fold 0 is the first
CLOCK_CHANGE_EVE = utc_minutes(datetime(2026, 10, 23, 9, 0, tzinfo=ZONE))


@dataclass
class Run:
    """One run as it was; minutes since the first day, UTC."""

    builds: list[Build]
    stage: str
    attempt: int
    start: float
    end: float  # as the log will say it
    worked: float
    station: str
    operator: str = ""
    ended_by: str = ""
    outcome: str = "done"
    paused: float = 0.0
    touch: float | None = None
    by_order: bool = False


def opening_spans() -> list[tuple[float, float]]:
    """Opening spans in minutes since the first day, from that day to some weeks after the last."""
    spans = []
    day = FIRST_DAY
    while day < LAST_MOMENT + timedelta(days=40):
        if day.weekday() in HOURS and day.date().isoformat() not in CLOSURES:
            opens, closes = HOURS[day.weekday()]
            spans.append(tuple(utc_minutes(day + timedelta(minutes=m)) for m in (opens, closes)))
        day += timedelta(days=1)
    return spans


SPANS = opening_spans()


def next_open(t: float, at_least: float = 0.0) -> float:
    """The first moment from ``t`` at which the lab is open for ``at_least`` minutes more."""
    for opens, closes in SPANS:
        if t <= closes - at_least:
            return max(t, opens)
    raise ValueError("the opening spans end too early")


def is_open(t: float) -> bool:
    return any(opens <= t < closes for opens, closes in SPANS)


def end_of_work(start: float, minutes: float, stays: bool) -> float:
    """When a person's work ends: over closed hours it goes on at the next opening; a little over, someone stays."""
    left = minutes
    for opens, closes in SPANS:
        if closes <= start:
            continue
        begin = max(start, opens)
        if begin + left <= closes or (stays and begin + left <= closes + 25):
            return begin + left
        left -= closes - begin
    raise ValueError("the opening spans end too early")


def make_builds(rng: np.random.Generator, designs: dict[str, dict[str, float]]) -> list[Build]:
    """Every build of the half-year, by time of arrival."""
    builds: list[Build] = []
    for machine, a_week in BUILDS_A_WEEK.items():
        t = float(rng.uniform(8 * 60, 40 * 60))
        while t < END + ORDERED_AHEAD:
            builds.append(make_build(rng, machine, t, designs))
            t += float(rng.gamma(3.0, 7 * 24 * 60 / a_week / 3.0))
    builds.append(_clock_change_build(rng, designs))
    builds.sort(key=lambda b: b.arrives)
    for number, b in enumerate(builds, start=1):
        b.id = f"B{number:04d}"
    _join_orders(rng, builds)
    return builds


def make_build(rng: np.random.Generator, machine: str, t: float, designs: dict[str, dict[str, float]]) -> Build:
    process = MACHINES[machine]
    material = MATERIALS[process][int(rng.random() < 0.33)]
    known = rng.random() < 0.4
    names = [name for name in designs if process != "PBF" or name != "staff_gauge_bracket.stl"]
    part_file = names[int(rng.integers(len(names)))] if known else ""
    one = designs[part_file] if known else _other_design(rng)
    parts = int(np.ceil(rng.lognormal(*{"MEX": (1.6, 0.8), "VPP": (2.2, 0.7), "PBF": (3.7, 0.6)}[process])))
    parts = min(parts, max(1, int({"MEX": 420, "VPP": 330, "PBF": 2600}[process] / one["volume_cm3"])))
    volume, area = parts * one["volume_cm3"], parts * one["area_cm2"]
    supported = process != "PBF" and rng.random() < (0.75 if process == "MEX" else 0.95)
    height = one["height_mm"]
    if process == "PBF":
        height = float(np.clip(max(height * 1.1, volume / 7.5), 60, 260))
    grade = rng.random()
    difficulty = "plain" if grade < 0.2 else "intricate" if grade > 0.85 else "normal"
    b = Build(
        id="", order="", machine=machine, process=process, material=material, parts=parts,
        layer_mm={"MEX": 0.2, "VPP": 0.05, "PBF": 0.1}[process],
        volume=round(volume, 2), area=round(area, 1),
        support_volume=round(supported * volume * float(rng.uniform(0.05, 0.2)), 2),
        support_contact=round(supported * area * float(rng.uniform(0.02, 0.07)), 2),
        height=round(height + (6 if process == "VPP" else 0), 2),
        packed=round((height + 14) * 90.0, 0) if process == "PBF" else 0.0,
        infill=float(rng.choice([0.15, 0.2, 0.4])) if process == "MEX" else 0.0,
        difficulty=difficulty, finish=_finish(rng, process, supported), part_file=part_file, arrives=t,
    )  # fmt: skip
    if rng.random() < FAILED_SHARE[process]:
        b.fails = "stopped" if rng.random() < 0.2 else "failed"
    b.effect = float(rng.normal(0, BUILD_SD))
    b.stages = route(b, rng.random() < 0.22)
    return b


def _other_design(rng: np.random.Generator) -> dict[str, float]:
    volume = float(rng.lognormal(2.6, 0.9))
    return {
        "volume_cm3": volume,
        "area_cm2": float(rng.uniform(6, 14)) * volume ** (2 / 3),
        "height_mm": float(np.clip(10 * volume ** (1 / 3) * rng.uniform(0.7, 1.8), 6, 190)),
    }


def _finish(rng: np.random.Generator, process: str, supported: bool) -> str:
    if process == "PBF":
        return "blasted" if rng.random() < 0.92 else "as_built"
    sanded = rng.random() < (0.18 if process == "MEX" else 0.08)
    return "sanded" if sanded else "supports_off" if supported else "as_built"


def _clock_change_build(rng: np.random.Generator, designs: dict[str, dict[str, float]]) -> Build:
    """A long print on ext-3 over the weekend of the clock change; it ends at a local time that exists twice."""
    b = make_build(rng, "ext-3", CLOCK_CHANGE_EVE, designs)
    scale = 1.0
    volume, area = 60.0, 380.0
    b.parts, b.height, b.part_file, b.fails, b.infill = 4, 140.0, "", "", 0.2
    while True:
        b.volume, b.area = round(volume * scale, 2), round(area * scale, 1)
        if nominal_minutes("printing", b) > 38 * 60:
            break
        scale *= 1.01
    b.support_volume, b.support_contact, b.finish, b.material = 0.0, 0.0, "as_built", "petg"
    b.ends_at = utc_minutes(CLOCK_CHANGE_NIGHT)
    b.stages = route(b, False)
    return b


def route(b: Build, adapted: bool) -> list[tuple[str, int]]:
    """Stages and attempts of a build in order; a failed print is cleared away and done again."""
    before = ["design_adaptation"] * adapted + ["file_prep"]
    if b.material == "asa":
        before.append("material_drying")
    if b.process == "PBF":
        before.append("powder_prep")
    on_machine = ["machine_setup", "warm_up", "printing", "cool_down", "unloading", "machine_cleaning"]
    if b.process == "VPP":
        on_machine.remove("cool_down")
    after = {
        "MEX": ["support_removal"] * (b.support_volume > 0),
        "VPP": ["draining", "washing", "drying", *["support_removal"] * (b.support_volume > 0), "post_curing"],
        "PBF": ["breakout", "part_cleaning", "powder_recovery", *["blasting"] * (b.finish == "blasted")],
    }[b.process]
    after += ["sanding"] * (b.finish == "sanded") + ["inspection", "packing"]
    attempts = [(stage, a) for a in ((1, 2) if b.fails else (1,)) for stage in on_machine]
    return [(s, 1) for s in before] + attempts + [(s, 1) for s in after]


def _join_orders(rng: np.random.Generator, builds: list[Build]) -> None:
    """Most builds are their own order; some orders take two builds of one machine."""
    last: dict[str, Build] = {}
    for b in builds:
        b.order = "R" + b.id[1:]
        before = last.get(b.machine)
        if before and before.order[1:] == before.id[1:] and before.process != "PBF" and rng.random() < 0.12:
            b.order = before.order
        last[b.machine] = b


@dataclass
class Lab:
    """The running lab: what waits, who is busy until when, what was written down."""

    builds: list[Build]
    rng: np.random.Generator
    runs: list[Run] = field(default_factory=list)
    queue: list[tuple[float, int, Callable[[float], None]]] = field(default_factory=list)
    busy: dict[str, float] = field(default_factory=lambda: dict.fromkeys(OPERATORS, 0.0))
    on_machine: dict[str, Build | None] = field(default_factory=lambda: dict.fromkeys(MACHINES))
    before_machine: dict[str, list[tuple[Build, int]]] = field(default_factory=lambda: {m: [] for m in MACHINES})
    last_material: dict[str, str] = field(default_factory=dict)
    groups: dict[str, tuple[float, list[tuple[Build, int]]]] = field(default_factory=dict)
    at_order: dict[tuple[str, str], list[tuple[Build, int]]] = field(default_factory=dict)
    begun: set[str] = field(default_factory=set)
    count: int = 0

    def run(self) -> None:
        for b in self.builds:
            self.at(b.arrives, lambda t, b=b: self.enter(t, b, 0))
        while self.queue and self.queue[0][0] < END:
            t, _, action = heapq.heappop(self.queue)
            action(t)

    def at(self, t: float, action: Callable[[float], None]) -> None:
        self.count += 1
        heapq.heappush(self.queue, (t, self.count, action))

    def enter(self, t: float, b: Build, i: int) -> None:
        """A build is ready for its stage i: wait for its order, machine, load or person, whatever it needs."""
        if i >= len(b.stages):
            return
        stage, _ = b.stages[i]
        if stage in ORDER_STAGES:
            self.wait_for_order(t, b, i)
        elif stage == "machine_setup" and self.on_machine[b.machine] is not b:
            self.before_machine[b.machine].append((b, i))
            self.free_machine(t, b.machine)
        elif stage in SHARED:
            self.join_load(t, b, i)
        else:
            self.begin([(b, i)], t)

    def wait_for_order(self, t: float, b: Build, i: int) -> None:
        stage, _ = b.stages[i]
        here = self.at_order.setdefault((b.order, stage), [])
        here.append((b, i))
        wanted = [other for other in self.builds if other.order == b.order and (stage, 1) in other.stages]
        if stage == "design_adaptation" or len(here) == len(wanted):
            group = [(b, i)] if stage == "design_adaptation" else here
            self.begin(group, t)

    def free_machine(self, t: float, machine: str) -> None:
        if self.on_machine[machine] is None and self.before_machine[machine]:
            b, i = self.before_machine[machine].pop(0)
            self.on_machine[machine] = b
            b.change = self.last_material.get(machine, b.material) != b.material
            self.last_material[machine] = b.material
            self.begin([(b, i)], t)

    def join_load(self, t: float, b: Build, i: int) -> None:
        """Some loads wait a while for company; the others start at once."""
        stage, _ = b.stages[i]
        waits, room = SHARED[stage]
        starts, members = self.groups.get(stage, (-1.0, []))
        same = all(m.process == b.process and (stage != "post_curing" or m.material == b.material) for m, _ in members)
        if t <= starts and same and sum(m.parts for m, _ in members) + b.parts <= room:
            members.append((b, i))
            return
        members = [(b, i)]
        starts = t + float(self.rng.exponential(waits)) if self.rng.random() < 0.5 else t
        self.groups[stage] = (starts, members)
        self.at(starts, lambda now: self.begin(members, now))

    def begin(self, members: list[tuple[Build, int]], t: float) -> None:
        """Start a stage, once somebody is there and free for it."""
        stage = members[0][0].stages[members[0][1]][0]
        if stage in MACHINE_STAGES or stage == "drying":
            self.unattended(members, t, "")
            return
        ready = t + (0 if stage in ("unloading", "powder_prep") else float(self.rng.exponential(22)))
        self.at(next_open(ready, 8), lambda now: self.take_person(members, now))

    def take_person(self, members: list[tuple[Build, int]], t: float) -> None:
        stage = members[0][0].stages[members[0][1]][0]
        start = next_open(t, 8)
        free = [name for name in OPERATORS if self.busy[name] <= start]
        if start > t or not free:
            self.at(max(start, min(self.busy.values())), lambda now: self.take_person(members, now))
            return
        who = free[int(self.rng.integers(len(free)))]
        if stage in HANDS:
            self.by_hand(members, start, who)
        else:
            self.unattended(members, start, who)

    def by_hand(self, members: list[tuple[Build, int]], start: float, who: str) -> None:
        b, i = members[0]
        stage, attempt = b.stages[i]
        builds = [m for m, _ in members]
        worked = self.minutes(stage, builds, who, start)
        paused = float(self.rng.integers(3, 10) * 5) if worked > 60 and self.rng.random() < 0.12 else 0.0
        end = end_of_work(start, worked + paused, self.rng.random() < 0.6)
        self.busy[who] = end
        run = Run(builds, stage, attempt, start, end, worked, STATIONS.get(stage, b.machine), who, paused=paused)
        run.by_order = stage in ORDER_STAGES
        self.write(run, members)

    def unattended(self, members: list[tuple[Build, int]], start: float, who: str) -> None:
        """A machine, bath or rack runs by itself; without a machine's stamp somebody finds it done."""
        b, i = members[0]
        stage, attempt = b.stages[i]
        builds = [m for m, _ in members]
        worked = self.minutes(stage, builds, who, start)
        run = Run(builds, stage, attempt, start, start + worked, worked, STATIONS.get(stage, b.machine), who, "machine")
        if stage == "printing" and b.fails and attempt == 1:
            run.outcome = b.fails
            run.end = start + worked * float(self.rng.uniform(0.08, 0.9))
        if stage == "printing" and b.ends_at and start < b.ends_at:
            run.end = b.ends_at
        if stage not in (*MACHINE_STAGES, "post_curing"):
            self.see_end(run)
        if who:
            run.touch = float(self.rng.integers(3, 9))
            self.busy[who] = start + run.touch
        self.write(run, members)

    def see_end(self, run: Run) -> None:
        """In opening hours mostly a bell and a person; else the stamp is of the moment when somebody looked."""
        if is_open(run.end) and self.rng.random() < 0.75:
            run.ended_by = "person"
        else:
            run.ended_by = "found"
            run.end = next_open(run.end + float(self.rng.exponential(12)), 5) + float(self.rng.uniform(1, 14))

    def minutes(self, stage: str, builds: list[Build], who: str, start: float) -> float:
        """A bath or chamber runs once for all; hands take what each build takes."""
        noise = float(np.clip(self.rng.standard_t(5) * 0.775, -4, 4))
        each = [true_minutes(stage, b, who or "DK", start, noise) for b in builds]
        if stage in HANDS and stage not in ORDER_STAGES:
            return sum(each)
        return max(each) if stage not in ("inspection", "packing") else sum(each)

    def write(self, run: Run, members: list[tuple[Build, int]]) -> None:
        self.runs.append(run)
        self.begun.update(b.id for b in run.builds)
        for b, i in members:
            self.at(run.end, lambda t, b=b, i=i: self.leave(t, b, i))

    def leave(self, t: float, b: Build, i: int) -> None:
        last_on_machine = b.stages[i][0] == "machine_cleaning" and ("machine_setup", 2) not in b.stages[i:]
        if last_on_machine:
            self.on_machine[b.machine] = None
            self.free_machine(t, b.machine)
        self.enter(t, b, i + 1)


def live(designs: dict[str, dict[str, float]]) -> Lab:
    lab = Lab(make_builds(np.random.default_rng([SEED, 1]), designs), np.random.default_rng([SEED, 2]))
    lab.run()
    return lab
