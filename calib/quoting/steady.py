"""Pieces a day when the line runs: an option's builds repeated for up to two weeks, through the same calendar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import ceil

import numpy as np

from calib.documents.spans import Span
from calib.quoting.nesting import Build
from calib.quoting.options import Option
from calib.quoting.plan import Planned, Planner
from calib.quoting.ranges import value_range
from calib.quoting.schedule import ON_MACHINE
from calib.quoting.work import Work

LINE_MIN = 14 * 24 * 60.0
FEWEST, MOST = 4, 24  # builds of each machine, of all together


def best_of_each_process(planned: Sequence[Planned]) -> list[Planned]:
    """The soonest option of each process that does not wait for a closing day; planned : soonest first."""
    best: dict[str, Planned] = {}
    for plan in planned:
        if not plan.option.in_shared_build:
            best.setdefault(plan.option.process, plan)
    return list(best.values())


def pieces_per_day(planned: Sequence[Planned], planner: Planner) -> list[Span]:
    """For each option the range of good-running output for each day on which the shop is open [pieces/day]."""
    lines = [_line(plan.work) for plan in planned]
    planner.want(lines)
    open_days = _open_days(planner)
    return [
        value_range(_rate(line, plan) * 7 / open_days, 24 * 60)
        for line, plan in zip(lines, planner.run(lines, tries=True), strict=True)
    ]


def _open_days(planner: Planner) -> int:
    attended = planner.shop.attended
    return 7 if attended is None else sum(bool(spans) for spans in attended)


def _line(work: Work) -> Option:
    """The option with builds as full as they go, over and over on each of its machines."""
    option = work.option
    on_machine = np.isin(work.steps.stage.astype(str), ON_MACHINE)
    busy = float(work.steps.usual_min[on_machine].sum()) / len(option.builds)
    times = int(np.clip(ceil(LINE_MIN / max(busy, 1.0)), FEWEST, max(FEWEST, MOST // len(option.machines))))
    if len(option.pieces) > 1:
        return replace(option, builds=option.builds * times)
    capacity = option.pieces[0].capacity
    builds = tuple(Build(machine, ((0, capacity),)) for _ in range(times) for machine in option.machines)
    return replace(option, builds=builds)


def _rate(line: Option, planned: Planned) -> np.ndarray:
    """Parts a minute between the end of the first build and the end of all, shape (draws,)."""
    parts = sum(build.parts for build in line.builds)
    spent = np.maximum(planned.made - planned.first_build, 1.0)
    return np.asarray((parts - line.builds[0].parts) / spent)
