"""Options -> minutes: the stages of every build, their baselines, and joint draws of what they will really take."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Protocol

import numpy as np
import pandas as pd

from calib.baseline.build import build_minutes
from calib.baseline.route import default_route
from calib.quoting.draws import Predictor, Scores, keyed, predict_marginals
from calib.quoting.options import Option, Shape, side_by_side
from calib.quoting.request import QuoteRequest
from calib.quoting.schedule import ON_MACHINE, Job
from calib.records import STAGES
from calib.shop.model import Machine, Shop

ORDER_BEFORE, ORDER_AFTER = "order before", "order after"
Route = Callable[[str, str, str, bool, Shop], tuple[str, ...]]


class WaitDraws(Protocol):
    def draws(self, process: str, stage: str, n: int, seed: int) -> np.ndarray: ...

    def parameters(self, process: str, stage: str) -> tuple[float, float, float, float]: ...


class FailureChances(Protocol):
    def chance(self, rows: pd.DataFrame) -> np.ndarray: ...


@dataclass(frozen=True, eq=False)
class Learned:
    """What the logs taught; without a fit the parts hold their priors, waits and failures may be absent."""

    calibrator: Predictor
    waits: WaitDraws | None = None
    failures: FailureChances | None = None
    route: Route | None = None


@dataclass(eq=False)
class Work:
    """One option's work.

    rows : one for each stage of each job: job, stage, machine, parts, baseline_min, touch_min, floor_min, prior_sd,
        basis, runs_behind
    minutes : shape (rows, draws), floors kept [min]
    jobs : what is done for the order before, the builds, what is done for the order after
    failure_chance : of each build [0..1]
    """

    option: Option
    rows: pd.DataFrame
    minutes: np.ndarray
    jobs: list[Job]
    route: tuple[str, ...]
    failure_chance: np.ndarray

    @property
    def touch(self) -> np.ndarray:
        """Minutes of hands, shape (rows, draws)."""
        return self.minutes * touch_share(self.rows)[:, None]


def touch_share(rows: pd.DataFrame) -> np.ndarray:
    """Share of each row's minutes that hands are on it, shape (rows,) [0..1]."""
    share = (rows["touch_min"] / rows["baseline_min"]).to_numpy(float)
    return np.clip(np.nan_to_num(share), 0.0, 1.0)


def build_columns(option: Option, machine: Machine, parts: Sequence[int], request: QuoteRequest) -> dict[str, Any]:
    """The contract's columns of builds with so many of the part each, on one machine."""
    count = np.asarray(parts, float)
    shape = option.shape
    height = build_height_mm(shape, machine, count)
    profile = np.empty(len(count), object)
    profile[:] = [shape.profile] * len(count)
    columns: dict[str, Any] = {
        "process": _text(option.process, count),
        "machine": _text(machine.id, count),
        "material": _text(option.material, count),
        "finish": _text(request.finish_of(option.process), count),
        "difficulty": _text(request.difficulty, count),
        "parts": count,
        "part_volume_cm3": count * shape.volume_cm3,
        "part_area_cm2": count * shape.area_cm2,
        "support_volume_cm3": count * shape.support_cm3,
        "support_contact_cm2": count * shape.contact_cm2,
        "height_mm": height,
        "plate_height_mm": height,
        "profile": profile,
    }
    bed_cm2 = machine.build_mm[0] * machine.build_mm[1] / 100.0
    columns["packed_volume_cm3"] = height / 10.0 * bed_cm2 if option.process == "PBF" else np.full(len(count), np.nan)
    return columns


def build_height_mm(shape: Shape, machine: Machine, parts: np.ndarray) -> np.ndarray:
    """Height of a build: one part, or for a powder cake as many layers of parts as are needed [mm]."""
    z = shape.size_mm[2]
    if machine.process != "PBF":
        return np.full(len(parts), z)
    gap, wall = machine.params["gap_mm"], machine.params["wall_mm"]
    a_layer = max(1, side_by_side(shape.size_mm, machine.build_mm, gap, wall))
    packed = parts * shape.volume_cm3 * 1000.0 / machine.params["packing_limit"]
    by_packing = packed / (machine.build_mm[0] * machine.build_mm[1])
    return np.minimum(np.maximum(np.ceil(parts / a_layer) * (z + gap), by_packing), machine.build_mm[2])


def plan_work(
    options: Sequence[Option], request: QuoteRequest, shop: Shop, learned: Learned, draws: int, seed: int
) -> list[Work]:
    """Work of every option; the physics and the calibrator are asked once for all of them."""
    asked = _Asked(request, shop, learned)
    for option in options:
        for parts, machine in (*option.builds, (request.quantity, option.machines[0]), (1, option.machines[0])):
            asked.want(option, machine, parts)
    asked.answer()
    scores, waits = Scores(draws, seed), _Waits(learned.waits, draws, seed)
    works = []
    for option in options:
        rows, log_quantiles = asked.table(option)
        if option.process not in scores.known:
            scores.learn(learned.calibrator, option.process, *asked.template(option))
        works.append(_draw(option, rows, log_quantiles, learned, scores, waits))
    return works


class _Asked:
    """Builds whose stages are wanted, each asked about once."""

    def __init__(self, request: QuoteRequest, shop: Shop, learned: Learned) -> None:
        self.request, self.shop, self.learned = request, shop, learned
        self._number: dict[tuple[str, str, int], int] = {}
        self._columns: list[dict[str, Any]] = []
        self._routes: list[tuple[str, ...]] = []
        self._rows = pd.DataFrame()
        self._stages: dict[int, tuple[int, list[str]]] = {}  # first row and stages of each build
        self._logs = np.zeros((0, 0))

    def want(self, option: Option, machine: str, parts: int) -> None:
        key = (machine, option.material, parts)
        if key not in self._number:
            self._number[key] = len(self._columns)
            self._columns.append(build_columns(option, self.shop.machines[machine], [parts], self.request))
            self._routes.append(option_route(option, self.request, self.shop, self.learned))

    def answer(self) -> None:
        """Baselines and ranges of all stages of the routes, in their order."""
        columns = {name: np.concatenate([c[name] for c in self._columns]) for name in self._columns[0]}
        base = build_minutes(columns, self.shop)
        place = [{stage: i for i, stage in enumerate(route)} for route in self._routes]
        step = np.array([place[b].get(s, -1) for b, s in zip(base.build, base.stage, strict=True)])
        kept = np.flatnonzero((step >= 0) & (base.minutes > 0))
        kept = kept[np.lexsort((step[kept], base.build[kept]))]
        build = base.build[kept]
        rows = pd.DataFrame(
            {
                "build": build,
                "process": columns["process"][build],
                "machine": columns["machine"][build],
                "material": columns["material"][build],
                "stage": base.stage[kept],
                "parts": columns["parts"][build].astype(int),
                "baseline_min": base.minutes[kept],
                "touch_min": base.touch_min[kept],
                "basis": base.basis[kept],
                "prior_sd": base.prior_sd[kept],
                "floor_min": base.floor_min[kept],
                "build_id": build.astype(str),
            }
        )
        self._logs, rows["runs_behind"] = predict_marginals(self.learned.calibrator, rows)
        self._rows = rows.drop(columns=["build", "build_id"])
        first, stages = np.searchsorted(build, np.arange(len(self._columns) + 1)), rows["stage"].tolist()
        self._stages = {
            number: (begin, stages[begin:end]) for number, (begin, end) in enumerate(pairwise(first.tolist()))
        }

    def of(self, option: Option, machine: str, parts: int) -> tuple[int, list[str]]:
        return self._stages[self._number[machine, option.material, parts]]

    def template(self, option: Option) -> tuple[pd.DataFrame, np.ndarray]:
        """One part on the process's first machine: dependence of stages must not hang on the quantity."""
        begin, stages = self.of(option, option.machines[0], 1)
        rows = self._rows.iloc[begin : begin + len(stages)]
        return rows, rows["runs_behind"].to_numpy()

    def table(self, option: Option) -> tuple[pd.DataFrame, np.ndarray]:
        """Rows of the order before, of each build, of the order after; and their log quantiles."""
        begin, stages = self.of(option, option.machines[0], self.request.quantity)
        first = next((i for i, stage in enumerate(stages) if stage in ON_MACHINE), 0)
        order = [i for i, stage in enumerate(stages) if _scope(stage) == "order"]
        pieces = [(ORDER_BEFORE, [begin + i for i in order if i < first])]
        for number, (parts, machine) in enumerate(option.builds):
            at, own = self.of(option, machine, parts)
            pieces.append((f"build {number + 1}", [at + i for i, stage in enumerate(own) if _scope(stage) != "order"]))
        pieces.append((ORDER_AFTER, [begin + i for i in order if i >= first]))
        rows = np.concatenate([np.asarray(rows, int) for _, rows in pieces])
        table = self._rows.iloc[rows].reset_index(drop=True)
        table["job"] = np.repeat([job for job, _ in pieces], [len(rows) for _, rows in pieces])
        return table, self._logs[rows]


def option_route(option: Option, request: QuoteRequest, shop: Shop, learned: Learned) -> tuple[str, ...]:
    """Stages of a build of this option, as the logs or else the shop's table say."""
    find = learned.route or _default_route
    has_supports = option.shape.contact_cm2 > 0
    return find(option.process, option.material, request.finish_of(option.process), has_supports, shop)


def _default_route(process: str, material: str, finish: str, has_supports: bool, shop: Shop) -> tuple[str, ...]:
    return default_route(process, finish, material, has_supports, shop)


def _scope(stage: str) -> str:
    return STAGES[stage].scope if stage in STAGES else "build"


def _draw(
    option: Option, table: pd.DataFrame, log_quantiles: np.ndarray, learned: Learned, scores: Scores, waits: _Waits
) -> Work:
    minutes = np.empty((len(table), scores.draws))
    stages = table["stage"].to_numpy()
    for job, own in table.groupby("job", sort=False).indices.items():
        drawn = scores.of(option.process, str(job), stages[own].tolist())
        for row, place in zip(own, drawn, strict=True):
            minutes[row] = place.minutes(log_quantiles[row])
    np.maximum(minutes, np.nan_to_num(table["floor_min"].to_numpy(float))[:, None], out=minutes)
    chance = failure_chances(option, learned.failures)
    jobs = _jobs(option, table, minutes, chance, waits, scores.seed)
    return Work(option, table, minutes, jobs, tuple(dict.fromkeys(stages)), chance)


def failure_chances(option: Option, failures: FailureChances | None) -> np.ndarray:
    """Chance of each build to fail, shape (builds,) [0..1]."""
    if failures is None:
        return np.zeros(len(option.builds))
    machines = [machine for _, machine in option.builds]
    unique = sorted(set(machines))
    rows = pd.DataFrame({"machine": unique})
    rows = rows.assign(process=option.process, material=option.material, height_mm=option.shape.size_mm[2])
    by_machine = dict(zip(unique, failures.chance(rows), strict=True))
    return np.array([by_machine[machine] for machine in machines])


def _jobs(
    option: Option, table: pd.DataFrame, minutes: np.ndarray, chance: np.ndarray, waits: _Waits, seed: int
) -> list[Job]:
    share = touch_share(table)
    draws = minutes.shape[1]
    jobs: list[Job] = []
    names = table["job"].to_numpy()
    stages = table["stage"].to_numpy()
    for name in dict.fromkeys(names):
        own = np.flatnonzero(names == name)
        number = int(name.split()[1]) if name.startswith("build") else 0
        before = tuple(job.name for job in jobs if job.name == ORDER_BEFORE)
        jobs.append(
            Job(
                name=name,
                machine=option.builds[number - 1][1] if number else None,
                stages=tuple(stages[own]),
                minutes={stages[i]: minutes[i] for i in own},
                touch_share={stages[i]: float(share[i]) for i in own},
                waits=waits.before(option.process, list(stages[own]), number),
                failed_at=failed_attempts(chance[number - 1], draws, seed, number) if number else None,
                after=tuple(job.name for job in jobs) if name == ORDER_AFTER else before,
                parts=option.builds[number - 1][0] if number else 0,
                rides=option.rides,
            )
        )
    return jobs


class _Waits:
    """Learned waits of each stage of each build, drawn once for all machines."""

    def __init__(self, waits: WaitDraws | None, draws: int, seed: int) -> None:
        self._waits, self._draws, self._seed = waits, draws, seed
        self._made: dict[tuple[str, str, int], np.ndarray] = {}

    def before(self, process: str, stages: Sequence[str], number: int) -> dict[str, np.ndarray]:
        """Before stages that begin with a person; machines that run on wait only where logs showed it."""
        return {stage: self._of(process, stage, number) for stage in stages if self._is_waited_for(process, stage)}

    def _is_waited_for(self, process: str, stage: str) -> bool:
        if self._waits is None:
            return False
        by_hand = stage not in STAGES or STAGES[stage].hands != "none"
        return by_hand or self._waits.parameters(process, stage)[3] > 0

    def _of(self, process: str, stage: str, number: int) -> np.ndarray:
        assert self._waits is not None
        key = (process, stage, number)
        if key not in self._made:
            self._made[key] = self._waits.draws(process, stage, self._draws, self._seed + 7919 * number)
        return self._made[key]


MOST_ATTEMPTS = 3


def failed_attempts(chance: float, draws: int, seed: int, number: int) -> np.ndarray | None:
    """Share of the printing at which each attempt failed, 0 where it did not, shape (attempts, draws).

    Attempts fail independently: their number is geometric, cut after MOST_ATTEMPTS. A failure comes at any time alike.
    """
    if chance <= 0:
        return None
    rng = keyed(seed, f"failure {number}")
    failed = rng.random((MOST_ATTEMPTS, draws)) < chance
    failed = np.logical_and.accumulate(failed, axis=0)
    return np.where(failed, rng.uniform(0.02, 1.0, (MOST_ATTEMPTS, draws)), 0.0)


def _text(value: str, like: np.ndarray) -> np.ndarray:
    made = np.empty(len(like), object)
    made[:] = value
    return made
