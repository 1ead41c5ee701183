"""Stages of jobs as arrays: baselines and ranges, each asked for once whatever the number of options."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from calib.quoting.common_random_numbers import LEVELS, CommonRandomNumbers, predict_marginals
from calib.quoting.learned import Learned, as_unwritten
from calib.quoting.nesting import Build
from calib.quoting.options import Option, Piece
from calib.quoting.physics import Key, baselines_of, key_of
from calib.quoting.schedule import ON_MACHINE
from calib.records import TERM_COLUMNS, scope_of
from calib.shop.model import Shop

ORDER_BEFORE, ORDER_AFTER = "order before", "order after"


@dataclass(frozen=True, eq=False)
class Steps:
    """Stages of jobs, arrays of one length n; log_quantiles : shape (n, levels), of the minutes at common_random_numbers.LEVELS.

    physics_min, baseline_min : the same, but for stages that the lab never writes down: then the latter is what gaps leave of it
    """

    stage: np.ndarray
    process: np.ndarray
    machine: np.ndarray
    material: np.ndarray
    parts: np.ndarray
    physics_min: np.ndarray
    baseline_min: np.ndarray
    touch_min: np.ndarray
    floor_min: np.ndarray
    fillings: np.ndarray
    basis: np.ndarray
    prior_sd: np.ndarray
    runs_behind: np.ndarray
    log_quantiles: np.ndarray

    def __len__(self) -> int:
        return len(self.stage)

    @cached_property
    def touch_share(self) -> np.ndarray:
        """Share of each step's minutes that hands are on it, shape (n,) [0..1]."""
        return touch_share(self.touch_min, self.baseline_min)

    @cached_property
    def slopes(self) -> np.ndarray:
        """From each of the log quantiles to the next, shape (n, levels - 1)."""
        return np.diff(self.log_quantiles, axis=1)

    @cached_property
    def usual_min(self) -> np.ndarray:
        """Median minutes, floors kept, shape (n,)."""
        median = np.exp(self.log_quantiles[:, len(LEVELS) // 2])
        return np.asarray(np.maximum(median, np.nan_to_num(self.floor_min)))

    def take(self, rows: np.ndarray) -> Steps:
        """The steps at these indices, shape (n,)."""
        return Steps(**{column.name: getattr(self, column.name)[rows] for column in fields(self)})

    def frame(self) -> pd.DataFrame:
        """As a calibrator takes them, every row a build of its own."""
        names = ["stage", "process", "machine", "material", "parts", "baseline_min", "touch_min", "floor_min", "basis",
                 "prior_sd"]  # fmt: skip
        return pd.DataFrame({name: getattr(self, name) for name in names})


def touch_share(touch_min: npt.ArrayLike, baseline_min: npt.ArrayLike) -> np.ndarray:
    """Share of minutes with hands on, 0 where there is no baseline; both of one shape [min] -> the same shape [0..1]."""
    share = np.asarray(touch_min, float) / np.asarray(baseline_min, float)
    return np.asarray(np.clip(np.nan_to_num(share), 0.0, 1.0))


@dataclass(frozen=True)
class Task:
    """What is done together: for the order before (number 0), in a build, or for the order after.

    steps : stage -> what of the order it is done for, in order; a stage of an order is done for each part on its own
    """

    name: str
    number: int
    steps: tuple[tuple[str, Build], ...]


def tasks_of(option: Option, cache: PredictionCache) -> list[Task]:
    """The tasks of an option, in order."""
    routes = [cache.route(piece) for piece in option.pieces]
    before, after = _order_steps(option, routes)
    builds = []
    for number, build in enumerate(option.builds, 1):
        inside = [piece for piece, _ in build.contents]
        stages = _merged([routes[piece] for piece in inside], cache.shop.routes[option.piece_of(build).process])
        steps = [(stage, _only(build, stage, routes)) for stage in stages if scope_of(stage) != "order"]
        builds.append(Task(f"build {number}", number, tuple(steps)))
    return [Task(ORDER_BEFORE, 0, before), *builds, Task(ORDER_AFTER, 0, after)]


def _order_steps(option: Option, routes: list[tuple[str, ...]]) -> tuple[Any, Any]:
    """Steps of the order before its builds, and after them: each part's own."""
    before: list[tuple[str, Build]] = []
    after: list[tuple[str, Build]] = []
    for number, (piece, route) in enumerate(zip(option.pieces, routes, strict=True)):
        machine = next(build.machine for build in option.builds if any(other == number for other, _ in build.contents))
        whole = Build(machine, ((number, piece.quantity),))
        first = next((i for i, stage in enumerate(route) if stage in ON_MACHINE), 0)
        for i, stage in enumerate(route):
            if scope_of(stage) == "order":
                (before if i < first else after).append((stage, whole))
    return tuple(before), tuple(after)


def _merged(routes: list[tuple[str, ...]], in_order: Iterable[str]) -> tuple[str, ...]:
    if len(routes) == 1:
        return routes[0]
    wanted = {stage for route in routes for stage in route}
    return tuple(stage for stage in in_order if stage in wanted)


def _only(build: Build, stage: str, routes: list[tuple[str, ...]]) -> Build:
    """Of a build what goes through the stage."""
    contents = tuple((piece, copies) for piece, copies in build.contents if stage in routes[piece])
    return build if len(contents) == len(build.contents) else Build(build.machine, contents)


class PredictionCache:
    """Baselines and ranges of stages of builds, each asked for once."""

    def __init__(self, shop: Shop, learned: Learned) -> None:
        self.shop, self.learned = shop, learned
        self._tasks: dict[Option, list[Task]] = {}
        self._wanted: set[Option] = set()
        self._rows: dict[Key, dict[str, int]] = {}
        self._waiting: dict[Key, tuple[Option, Build, set[str]]] = {}
        self._blocks: list[Steps] = []
        self._all: Steps | None = None
        self._first: dict[str, tuple[Option, Build]] = {}
        self._stages: dict[str, dict[str, None]] = {}
        self._routes: dict[tuple[str, str, str, bool], tuple[str, ...]] = {}

    def route(self, piece: Piece) -> tuple[str, ...]:
        """Stages of a part, in order."""
        key = (piece.process, piece.material, piece.finish, piece.shape.held)
        if key not in self._routes:
            self._routes[key] = self.learned.route_of(*key, self.shop)
        return self._routes[key]

    def tasks(self, option: Option) -> list[Task]:
        """The tasks of an option, in order."""
        if option not in self._tasks:
            self._tasks[option] = tasks_of(option, self)
        return self._tasks[option]

    def want(self, option: Option) -> None:
        """Have an option's stages asked about with the next answer."""
        if option in self._wanted:
            return
        self._wanted.add(option)
        for task in self.tasks(option):
            for stage, build in task.steps:
                process = option.piece_of(build).process
                self._first.setdefault(process, (option, Build(build.machine, ((build.contents[0][0], 1),))))
                self._stages.setdefault(process, {})[stage] = None
                self._want(option, build, stage)

    def _want(self, option: Option, build: Build, stage: str) -> None:
        key = key_of(option, build)
        if stage not in self._rows.get(key, {}):
            self._waiting.setdefault(key, (option, build, set()))[2].add(stage)

    def answer(self, random_numbers: CommonRandomNumbers) -> None:
        """Ask the physics and the calibrator for what is wanted and not known; and how stages move together."""
        for process, (option, single) in self._first.items():
            for stage in self._stages[process]:
                self._want(option, single, stage)
        if self._waiting:
            self._ask(list(self._waiting.items()))
            self._waiting.clear()
        for process, (option, single) in self._first.items():
            rows = self._rows[key_of(option, single)]
            steps = self.steps([rows[stage] for stage in self._stages[process] if stage in rows])
            random_numbers.measure(process, steps.frame(), steps.runs_behind)

    def _ask(self, waiting: list[tuple[Key, tuple[Option, Build, set[str]]]]) -> None:
        base, columns = baselines_of([(key, option, build) for key, (option, build, _) in waiting], self.shop)
        wanted = [stages for _, (_, _, stages) in waiting]
        kept = np.flatnonzero([s in wanted[b] for b, s in zip(base.build.tolist(), base.stage, strict=True)])
        kept = kept[base.minutes[kept] > 0]
        build = base.build[kept]
        known = {
            "stage": base.stage[kept],
            "parts": columns["parts"][build].astype(int),
            "baseline_min": base.minutes[kept],
            "touch_min": base.touch_min[kept],
            "basis": base.basis[kept],
            "prior_sd": base.prior_sd[kept],
            "floor_min": base.floor_min[kept],
            "fillings": base.fillings[kept],
            **{name: columns[name][build] for name in ("process", "machine", "material")},
        }
        known["physics_min"] = known["baseline_min"]
        known |= as_unwritten(known, self.learned.silent)
        rows = pd.DataFrame(known | {"build_id": build.astype(str)})
        assert base.terms is not None
        rows[TERM_COLUMNS] = base.terms[kept]
        logs, behind = predict_marginals(self.learned.calibrator, rows)
        begin = sum(len(block) for block in self._blocks)
        for row, (number, stage) in enumerate(zip(build.tolist(), known["stage"], strict=True), begin):
            self._rows.setdefault(waiting[number][0], {})[stage] = row
        self._blocks.append(Steps(**known, runs_behind=behind, log_quantiles=logs))
        self._all = None

    def steps(self, rows: list[int]) -> Steps:
        if self._all is None:
            self._all = Steps(
                **{column.name: np.concatenate([getattr(block, column.name) for block in self._blocks])
                   for column in fields(Steps)}
            )  # fmt: skip
        return self._all.take(np.asarray(rows, int))

    def rows(self, option: Option, task: Task) -> Iterator[int]:
        """Rows of a task's steps, those that take time."""
        known: dict[int, dict[str, int]] = {}
        for stage, build in task.steps:
            if id(build) not in known:
                known[id(build)] = self._rows[key_of(option, build)]
            row = known[id(build)].get(stage)
            if row is not None:
                yield row
