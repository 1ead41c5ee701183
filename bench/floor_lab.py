"""A lab on the floor, event by event: machines, stations, people, hours, nights, queues, failures and redo.

Its minutes come from formulas of its own (as ``other_lab``: flow rates, areas, counts, noted on an invented floor; common
practice, no source), times an effect of the machine, the person, the material and the stage, of the build, and noise.
A machine is occupied from setting up until a person has emptied and cleaned it. A person works in opening hours and goes
home in between; whoever could go on is noticed after a while only. Nothing here knows calib.

What the truth itself would say at any moment: the lab forks, and every child goes on from that very state with luck
of its own (stages under way are drawn anew, given how long they have run), until the order is packed.
"""

from __future__ import annotations

import gc
import os
import pickle
import random
import struct
import sys
from bisect import bisect_right
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from math import exp, log, sqrt

import simpy

DAY, WEEK = 1440.0, 7 * 1440.0
DAYTIME = {day: ((480.0, 960.0 if day == 4 else 1020.0),) for day in range(5)}
LATE = {day: ((1020.0 if day < 4 else 960.0, 1440.0),) for day in range(5)}  # a crew that comes when the others go
MACHINES = {"MEX": ("M1", "M2"), "VPP": ("V1",), "PBF": ("P1",)}
STATIONS = {"washing": "wash", "post_curing": "cure", "breakout": "powder_bench", "part_cleaning": "powder_bench", "blasting": "blast_cabinet"}  # fmt: skip
Law = Callable[[random.Random], float]
HELD = ("machine_setup", "warm_up", "printing", "cool_down", "unloading", "machine_cleaning")
ALONE = ("warm_up", "printing", "cool_down", "draining", "drying")
LOADS = ("washing", "post_curing")  # put in by hand, runs alone, fetched by hand
BEFORE, AFTER = ("file_prep",), ("inspection", "packing")
ROUTES = {
    "MEX": ("machine_setup", "warm_up", "printing", "cool_down", "unloading", "machine_cleaning", "support_removal"),
    "VPP": ("machine_setup", "printing", "unloading", "machine_cleaning", "draining", "washing", "drying",
            "support_removal", "post_curing"),
    "PBF": ("powder_prep", "machine_setup", "warm_up", "printing", "cool_down", "unloading", "machine_cleaning", "breakout",
            "part_cleaning", "blasting"),
}  # fmt: skip
# orders a week at which its machines are occupied for half and for three quarters of all hours, about
ORDERS_A_WEEK = {"MEX": (9.5, 14.0), "VPP": (7.5, 11.0), "PBF": (2.2, 3.2)}
NOTICED_MIN = 15.0  # mean open minutes until somebody sees that something can go on
DONE_AGAIN = ("support_removal", "washing", "blasting")
FAILED, REDONE = 0.03, 0.03
NOISE, MACHINE_NOISE, BUILD_SD = 0.22, 0.06, 0.12
EFFECT_SD, CELL_SD = 0.10, 0.15
FETCH_MIN = 2.0
SETTLE_WEEKS = 1  # before the first log, so that a lab does not start empty


class Hours:
    """Opening hours that repeat every week; spans by day of the week, minutes of the day."""

    def __init__(self, days: dict[int, tuple[tuple[float, float], ...]]) -> None:
        spans = sorted((day * DAY + a, day * DAY + b) for day, own in days.items() for a, b in own)
        self.opens, self.closes = [a for a, _ in spans], [b for _, b in spans]

    def span(self, now: float) -> tuple[float, float]:
        """The span that holds ``now``, or the next one."""
        week, within = divmod(now, WEEK)
        place = bisect_right(self.closes, within)
        if place == len(self.opens):
            week, place = week + 1, 0
        return week * WEEK + self.opens[place], week * WEEK + self.closes[place]

    def after(self, now: float, minutes: float) -> float:
        """When so many open minutes have passed."""
        while True:
            begin, end = self.span(now)
            now = max(now, begin)
            if minutes <= end - now:
                return now + minutes
            minutes, now = minutes - (end - now), end


def union(*several: dict[int, tuple[tuple[float, float], ...]]) -> dict[int, tuple[tuple[float, float], ...]]:
    days = sorted({day for one in several for day in one})
    return {day: tuple(span for one in several for span in one.get(day, ())) for day in days}


@dataclass(frozen=True)
class Setting:
    """What a lab has: machines by process, people by the hours they come, orders for a load [share of a machine's week]."""

    seed: int
    load: float = 0.5
    machines: tuple[tuple[str, tuple[str, ...]], ...] = tuple(MACHINES.items())
    day_people: int = 2
    late_people: int = 0

    @property
    def people(self) -> list[tuple[str, Hours]]:
        by_day = [(f"day{n + 1}", Hours(DAYTIME)) for n in range(self.day_people)]
        return by_day + [(f"late{n + 1}", Hours(LATE)) for n in range(self.late_people)]


@dataclass(eq=False)
class Order:
    """parts: what is ordered, a part of the catalog and how many; builds : rows with the columns of docs/interface.md"""

    number: int
    process: str
    part: str
    quantity: int
    machine: str
    arrived: float
    builds: list[dict]
    finished: float | None = None
    forward: list[float] = field(default_factory=list)

    @property
    def name(self) -> str:
        return f"R{self.number:04d}"

    @property
    def build_names(self) -> str:
        return "+".join(f"{self.name}-{n + 1}" for n in range(len(self.builds)))


@dataclass(eq=False)
class Row:
    """A run of a stage, as a complete log would have it; ends that lie ahead are None."""

    names: str
    order: str
    stage: str
    started: float
    ended: float | None
    station: str
    person: str
    attempt: int
    failed: bool = False


@dataclass(eq=False)
class Job:
    """A build, or what is done for a whole order."""

    names: str
    order: Order
    columns: dict
    effect: float | None = None  # of the build; not drawn before its first run


class FloorLab:
    """The lab while it runs; ``catalog``: (process, part, quantity) -> the builds of such an order, without their machine."""

    def __init__(self, setting: Setting, catalog: dict[tuple[str, str, int], list[dict]]) -> None:
        self.setting, self.catalog = setting, catalog
        self.env = simpy.Environment()
        self.machines = {one: simpy.Resource(self.env) for _, own in setting.machines for one in own}
        self.held_since: dict[str, tuple[str, float]] = {}
        self.occupied: dict[str, dict[str, float]] = {one: {} for one in self.machines}
        self.stations = {name: simpy.Resource(self.env) for name in dict.fromkeys(STATIONS.values())}
        self.people = simpy.Store(self.env)
        self.shifts = dict(setting.people)
        self.here: set[str] = set()
        self.busy: set[str] = set()
        self.hours = Hours(union(DAYTIME, LATE) if setting.late_people else DAYTIME)
        self.orders: list[Order] = []
        self.rows: list[Row] = []
        self.salt = ""
        self.spending: set[simpy.Process] = set()
        self.watched: tuple[Order, int] | None = None  # in a child: the order waited for, and where to tell its end
        self.look_from, self.draws = float("inf"), 0
        self.effects = self._effects()
        for person in self.shifts:
            self.env.process(self._shift(person))
        for process in self.catalog_processes():
            self.env.process(self._arrivals(process))

    def catalog_processes(self) -> list[str]:
        return list(dict.fromkeys(process for process, _, _ in self.catalog))

    def run(self, until: float, look_from: float = float("inf"), draws: int = 0) -> FloorLab:
        """Run until then; each order that comes from ``look_from`` on is first asked for, so many times, of the truth."""
        self.look_from, self.draws = look_from, draws
        self.env.run(until)
        if self.watched is not None:
            self.env.run()  # a child ends with its order
        return self

    # -- luck --------------------------------------------------------------------------------------------------------

    def _luck(self, *key: object) -> random.Random:
        return random.Random("|".join(map(str, (self.setting.seed, self.salt, *key))))

    def _effects(self) -> dict[str, float]:
        names = [
            *(f"day{n}" for n in range(1, 9)),
            *(f"late{n}" for n in range(1, 9)),
            "P2",
            *sum(MACHINES.values(), ()),
        ]
        luck = self._luck("effects")
        found = {name: luck.gauss(0, EFFECT_SD) for name in names}
        found["P2"] = found["P1"]
        cells = {f"{process} {stage}": luck.gauss(0, CELL_SD) for process, route in ROUTES.items() for stage in (*BEFORE, *route, *AFTER)}  # fmt: skip
        return found | cells | {"": 0.0}

    def _law(self, job: Job, stage: str, who: str) -> Law:
        """What draws the minutes of a run."""
        if job.effect is None:
            job.effect = self._luck(job.names, "effect").gauss(0, BUILD_SD)
        machine = stage in ALONE or stage in LOADS
        location = log(median_min(job.columns, stage)) + self.effects.get(who, 0.0) + self.effects[f"{job.order.process} {stage}"]  # fmt: skip
        location += (0.3 if machine else 1.0) * job.effect
        sd = MACHINE_NOISE if machine else NOISE
        return lambda luck: exp(location + sd * _student(luck, 6) / 1.22)

    def spend(self, key: tuple, draw: Law, passes: Callable[[float, float], float]) -> Generator:
        """Wait for random minutes that pass by a calendar; in a child the rest is drawn anew, given what has passed.

        key : of its luck: what is keyed alike has the same luck in a changed lab
        """
        started, me = self.env.now, self.env.active_process
        end = passes(started, draw(self._luck(*key)))
        self.spending.add(me)
        while True:
            try:
                yield self.env.timeout(max(end - self.env.now, 0.0))
                self.spending.discard(me)
                return
            except simpy.Interrupt:
                luck = self._luck(*key)
                drawn = (passes(started, draw(luck)) for _ in range(300))
                end = next((at for at in drawn if at > self.env.now), end)

    # -- people ------------------------------------------------------------------------------------------------------

    def _shift(self, person: str) -> Generator:
        while True:
            begin, end = self.shifts[person].span(self.env.now)
            yield self.env.timeout(begin - self.env.now)
            self.here.add(person)
            self._free(person)
            yield self.env.timeout(end - self.env.now)
            self.here.discard(person)
            if person in self.people.items:
                self.people.items.remove(person)

    def _free(self, person: str) -> None:
        if person in self.here and person not in self.people.items and person not in self.busy:
            self.people.put(person)

    def by_hand(self, job: Job, stage: str, attempt: int = 1, fixed: float = 0.0, logged: bool = True) -> Generator:
        """A person comes and does it, in their hours; returns who."""
        key = (job.names, stage, attempt, fixed)
        yield from self.spend((*key, "notice"), lambda luck: luck.expovariate(1 / NOTICED_MIN), self.hours.after)
        person = yield self.people.get()
        self.busy.add(person)
        draw = (lambda _: fixed) if fixed else self._law(job, stage, person)
        row = self._begin(job, stage, STATIONS.get(stage, ""), person, attempt) if logged else None
        yield from self.spend(key, draw, self.shifts[person].after)
        self.busy.discard(person)
        self._free(person)
        if row is not None:
            row.ended = self.env.now
        return person

    def _begin(self, job: Job, stage: str, station: str, person: str, attempt: int) -> Row:
        row = Row(job.names, job.order.name, stage, self.env.now, None, station, person, attempt)
        if self.watched is None:
            self.rows.append(row)
        return row

    # -- orders ------------------------------------------------------------------------------------------------------

    def _arrivals(self, process: str) -> Generator:
        open_min = sum(b - a for spans in DAYTIME.values() for a, b in spans)
        half, more = ORDERS_A_WEEK[process]
        mean = open_min / (half + (more - half) * (self.setting.load - 0.5) / 0.25)
        wanted = sorted({(part, quantity) for one, part, quantity in self.catalog if one == process})
        number, hours = 0, Hours(DAYTIME)
        while True:
            number += 1
            key = ("arrival", process, number)
            yield from self.spend(key, lambda luck: luck.expovariate(1 / mean), hours.after)
            part, quantity = self._luck(*key, "what").choice(wanted)
            builds = self.catalog[process, part, quantity]
            order = Order(
                len(self.orders) + 1, process, part, quantity, self._least_busy(process), self.env.now, builds
            )
            self.orders.append(order)
            if self.watched is None and self.env.now >= self.look_from:
                self._look_ahead(order)
            self.env.process(self._order(order))

    def _least_busy(self, process: str) -> str:
        """The machine with the fewest builds to come."""
        machines = dict(self.setting.machines)[process]
        todo = dict.fromkeys(machines, 0)
        for order in self.orders:
            if order.process == process and order.finished is None:
                todo[order.machine] += len(order.builds)
        return min(machines, key=lambda one: todo[one])

    def _order(self, order: Order) -> Generator:
        whole = Job(order.build_names, order, _together(order.builds))
        for stage in BEFORE:
            yield from self.by_hand(whole, stage)
        names = order.build_names.split("+")
        jobs = [Job(name, order, columns) for name, columns in zip(names, order.builds, strict=True)]
        yield self.env.all_of([self.env.process(self._build(job)) for job in jobs])
        for stage in AFTER:
            yield from self.by_hand(whole, stage)
        order.finished = self.env.now
        if self.watched is not None and self.watched[0] is order:
            os.write(self.watched[1], struct.pack("d", order.finished))
            os._exit(0)

    # -- builds ------------------------------------------------------------------------------------------------------

    def _build(self, job: Job) -> Generator:
        machine = job.order.machine
        route = [one for one in ROUTES[job.order.process] if median_min(job.columns, one) > 0]
        for stage in route[: route.index("machine_setup")]:
            yield from self.by_hand(job, stage)
        with self.machines[machine].request() as held:
            yield held
            yield from self._on_machine(job, machine, [stage for stage in route if stage in HELD])
            self._now_is(machine, "idle")
        for stage in route[route.index("machine_cleaning") + 1 :]:
            yield from self._later(job, stage)
            if stage in DONE_AGAIN and self._luck(job.names, stage, "again").random() < REDONE:
                yield from self._later(job, stage, 2)

    def _on_machine(self, job: Job, machine: str, stages: list[str]) -> Generator:
        attempt, tried = 1, False
        while not tried:
            self._now_is(machine, "waits for setting up")
            yield from self.by_hand(job, "machine_setup", attempt)
            self._now_is(machine, "runs")
            failed = False
            for stage in stages:
                if stage in ALONE:
                    failed |= yield from self._alone(job, stage, machine, attempt, FAILED if attempt < 3 else 0.0)
            self._now_is(machine, "waits to be emptied")
            for stage in ("unloading", "machine_cleaning"):
                yield from self.by_hand(job, stage, attempt)
            tried, attempt = not failed, attempt + 1

    def _now_is(self, machine: str, what: str) -> None:
        """Keep what the machine does from now on."""
        before, since = self.held_since.get(machine, ("idle", 0.0))
        if self.watched is None:
            self.occupied[machine][before] = self.occupied[machine].get(before, 0.0) + self.env.now - since
        self.held_since[machine] = (what, self.env.now)

    def _alone(self, job: Job, stage: str, station: str, attempt: int, fails: float = 0.0) -> Generator:
        """Runs without hands; a printing may fail, with a chance, at any time alike. Returns whether it did.

        Whether it fails is drawn with its minutes, so that who asks the truth before its end does not know of it.
        """
        draw, share = self._law(job, stage, station), 1.0
        row = self._begin(job, stage, station, "", attempt)

        def minutes(luck: random.Random) -> float:
            nonlocal share
            whole, lot, where = draw(luck), luck.random(), luck.random()
            share = where if stage == "printing" and lot < fails else 1.0
            return share * whole

        yield from self.spend((job.names, stage, attempt), minutes, float.__add__)
        row.ended, row.failed = self.env.now, share < 1.0
        return row.failed

    def _later(self, job: Job, stage: str, attempt: int = 1) -> Generator:
        if stage not in STATIONS:
            yield from self._alone(job, stage, "", attempt) if stage in ALONE else self.by_hand(job, stage, attempt)
            return
        with self.stations[STATIONS[stage]].request() as place:
            yield place
            if stage in LOADS:
                yield from self.by_hand(job, stage, attempt, FETCH_MIN, logged=False)
                yield from self._alone(job, stage, STATIONS[stage], attempt)
                yield from self.by_hand(job, stage, attempt, FETCH_MIN, logged=False)
            else:
                yield from self.by_hand(job, stage, attempt)

    # -- what the truth would say ------------------------------------------------------------------------------------

    def _look_ahead(self, order: Order) -> None:
        for draw in range(self.draws):
            read, write = os.pipe()
            child = os.fork()
            if child == 0:
                os.close(read)
                self.salt, self.watched = f"{order.number}/{draw}", (order, write)
                me = self.env.active_process
                for process in self.spending:
                    if process is not me:
                        process.interrupt()
                return
            os.close(write)
            sent = os.read(read, 8)
            os.close(read)
            os.waitpid(child, 0)
            order.forward.append(struct.unpack("d", sent)[0])


def simulate(setting: Setting, catalog: dict, history: int, orders: int, draws: int) -> dict:
    """A lab's orders and rows; the first orders after ``history`` weeks are asked for, each with the truth's forward runs."""
    begin = (SETTLE_WEEKS * (history > 0) + history) * WEEK
    lab = FloorLab(setting, catalog).run(max(begin, 1.0))
    first, until = len(lab.orders), begin
    while len(lab.orders) < first + orders:
        until += DAY
        lab.run(until, begin, draws if len(lab.orders) < first + orders else 0)
    asked = lab.orders[first : first + orders]
    while any(order.finished is None for order in asked):
        until += DAY
        lab.run(until)
    return {"orders": lab.orders, "asked": asked, "rows": lab.rows, "begin": begin, "occupied": lab.occupied}


def answer() -> None:
    """What another process asks for on standard input, pickled."""
    gc.disable()  # a child would copy what is swept
    asked = pickle.loads(sys.stdin.buffer.read())
    sys.stdout.buffer.write(pickle.dumps(simulate(*asked)))


def _student(luck: random.Random, freedom: int) -> float:
    """A draw of Student's t."""
    return luck.gauss(0, 1) / sqrt(luck.gammavariate(freedom / 2, 2 / freedom))


def _together(builds: list[dict]) -> dict:
    """Columns of an order's builds added up."""
    return {name: sum(one[name] or 0.0 for one in builds) if isinstance(builds[0][name], int | float) else builds[0][name] for name in builds[0]}  # fmt: skip


def median_min(build: dict, stage: str) -> float:
    """Minutes of a stage before any effect: this lab's own physics; 0 where the build does not need it."""
    process, parts, volume, area = build["process"], build["parts"], build["part_volume_cm3"], build["part_area_cm2"]
    supports, height = build["support_volume_cm3"] or 0.0, build["height_mm"]
    every = {
        "file_prep": {"MEX": 8.0, "VPP": 12.0, "PBF": 15.0}[process] + 0.7 * parts**0.8,
        "powder_prep": 22.0,
        "machine_setup": {"MEX": 8.0, "VPP": 10.0, "PBF": 24.0}[process],
        "warm_up": {"MEX": 6.0, "VPP": 0.0, "PBF": 70.0}[process],
        "unloading": {"MEX": 4.0, "VPP": 5.0 + 0.3 * parts, "PBF": 14.0}[process],
        "machine_cleaning": {"MEX": 3.0, "VPP": 7.0, "PBF": 25.0}[process],
        "draining": 14.0,
        "washing": 18.0,
        "drying": 30.0,
        "post_curing": 35.0,
        "support_removal": 3.0 + 1.2 * parts + 1.1 * supports**0.8 if supports > 0 else 0.0,
        "breakout": 14.0 + 0.7 * parts,
        "part_cleaning": 6.0 + 0.5 * parts,
        "blasting": 8.0 + 0.4 * parts**0.9,
        "inspection": 3.0 + 0.9 * parts**0.8,
        "packing": 5.0 + 0.3 * parts,
    }
    if stage in every:
        return every[stage]
    if stage == "cool_down":
        return 9.0 if process == "MEX" else 120.0 + 480.0 * ((build["packed_volume_cm3"] or 4000.0) / 9000) ** 0.67
    if process == "MEX":
        shell = min(0.13 * area, volume)
        return (shell + 0.3 * (volume - shell) + 0.5 * supports) / 0.5 + height / 0.2 * (2.5 + 1.5 * parts) / 60 + 7.0
    if process == "VPP":
        return 6.0 + height / 0.05 * 8.9 / 60
    return 55.0 * (volume / 1000) + height / 0.11 * 22.0 / 60
