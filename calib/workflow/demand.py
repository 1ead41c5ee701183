"""Builds of some weeks, logged or planned, and how they go through a shop."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from calib.calendar.clock import OpenClock, to_minutes
from calib.errors import LogFileError, TooFewRunsError
from calib.logs.read_plan import read_plan
from calib.quoting.flow import Flow, QueuedBuild, released_jobs, run_flow, spread_over
from calib.quoting.schedule import ON_MACHINE
from calib.shop.model import Machine, Shop
from calib.store.open_store import open_store
from calib.store.runs import find_builds, find_runs
from calib.workflow.fitted import Fitted, has_store, learned_of
from calib.workflow.learning import runs_by_build, went_together
from calib.workflow.parts import with_parts
from calib.workflow.predict import scheduled_rows
from calib.workflow.spelling import as_spelled

WEEKS = 4.0
DRAWS = 200
WEEK_MIN = 7 * 24 * 60.0
FIRST_DAY = datetime(2026, 1, 5)  # a Monday: a plan without dates is laid out from it


@dataclass(frozen=True, eq=False)
class Demand:
    """Builds of so many weeks in the order in which they came in, and where they come from.

    builds : as logged, and ``together``, the same text where they ended as one order; released : wall minutes, ascending
    """

    builds: pd.DataFrame
    released: list[float]
    weeks: float
    source: str


def planned_demand(folder: Path, plan: Path, shop: Shop, weeks: float) -> Demand:
    """Builds of a plan, released evenly over the opening hours of the weeks.

    Raises LogFileError where no build of the plan can be read.
    """
    builds, set_aside = read_plan(plan, shop.timezone)
    if builds.empty:
        raise LogFileError(f"{plan} holds no build that could be read.", "; ".join(set_aside[:3]))
    clock = OpenClock(shop.attended, shop.closures, shop.timezone)
    first = to_minutes(FIRST_DAY.replace(tzinfo=ZoneInfo(shop.timezone)))
    there = float(clock.open_at(first + weeks * WEEK_MIN) - clock.open_at(first))
    released = clock.after(first, (np.arange(len(builds)) + 0.5) * there / len(builds))
    own = with_parts(folder, as_spelled(builds, shop), shop).assign(together=lambda own: own["order_id"])
    return Demand(own, released.tolist(), weeks, f"the builds of {plan.name}")


def logged_demand(folder: Path, shop: Shop, weeks: float) -> Demand:
    """Builds whose printing began in the last weeks before the last log, released when their first stage began.

    Raises TooFewRunsError where no printing of a build is logged.
    """
    if not has_store(folder):
        raise TooFewRunsError("Nothing is logged yet, so there is no demand to add up.", "Name a plan: --plan FILE.")
    with open_store(folder, read_only=True) as store:
        builds, runs = find_builds(store), find_runs(store)
    of_builds = runs_by_build(builds, runs)
    printed = of_builds[(of_builds["stage"] == "printing") & of_builds["started_at"].notna()]
    if printed.empty:
        raise TooFewRunsError("No printing is logged yet, so there is no demand.", "Name a plan: --plan FILE.")
    until = printed["started_at"].max()
    recent = set(printed.loc[printed["started_at"] > until - timedelta(weeks=weeks), "build_id"])
    ran = as_spelled(builds[builds["build_id"].isin(recent)], shop)
    named = runs.explode("build_ids").groupby("build_ids")["started_at"].min().reindex(ran["build_id"])
    first = named.fillna(of_builds.groupby("build_id")["started_at"].min())
    order = np.argsort(first.to_numpy(), kind="stable")
    source = f"what ran in the {weeks:g} weeks up to {until:%Y-%m-%d}"
    ran = with_parts(folder, ran.iloc[order].reset_index(drop=True), shop)
    ran = ran.assign(together=ran["build_id"].map(went_together(ran, runs)))
    return Demand(ran, [stamp.timestamp() / 60 for stamp in first.iloc[order]], weeks, source)


def flow_of(demand: Demand, today: Shop, shop: Shop, fitted: Fitted, seed: int = 0) -> Flow:
    """The builds through a shop: today's as they were logged, a changed one's as is best on the whole.

    Who takes which build there: as logged; or, of a process whose machines were changed, each the machine of its material
    that is free first, where that is better; so a further machine never makes it worse.
    """
    teams: list[list[Machine]] = [[]] if shop is today else _teams(today, shop)
    flows = [_flow(demand, machines, shop, fitted, seed) for machines in teams]
    return min(flows, key=lambda flow: float(flow.turnaround_min.mean()))


def _teams(today: Shop, shop: Shop) -> list[list[Machine]]:
    """Machines over which builds are spread: none, so that all goes as logged; today's and all of the changed processes."""
    both = {**today.machines, **shop.machines}
    changed = {machine.process for name, machine in both.items() if today.machines.get(name) != shop.machines.get(name)}
    everyone = [machine for machine in shop.machines.values() if machine.process in changed]
    kept = [machine for machine in everyone if machine.id in today.machines]
    return [[], kept, everyone] if len(everyone) > len(kept) else [[], kept]


def _flow(demand: Demand, machines: list[Machine], shop: Shop, fitted: Fitted, seed: int) -> Flow:
    builds = demand.builds
    rows = scheduled_rows(builds, shop, fitted)
    if machines:
        on_machine = rows[rows["stage"].isin(ON_MACHINE)].groupby("build_id")["baseline_min"].sum()
        busy = builds["build_id"].map(on_machine).fillna(0.0).tolist()
        builds = builds.assign(machine=spread_over(builds.to_dict("records"), demand.released, busy, machines))
        rows = scheduled_rows(builds, shop, fitted)
    by_build = dict(iter(rows.groupby("build_id", sort=False)))
    queued = [
        QueuedBuild(
            build["build_id"],
            build["process"],
            str(build["machine"]),
            str(build.get("material") or ""),
            by_build[build["build_id"]].reset_index(drop=True),
            together=build["together"] if isinstance(build["together"], str) else "",
            height_mm=float(height) if isinstance(height := build.get("height_mm"), int | float) else np.nan,
        )
        for build in builds.to_dict("records")
    ]
    return run_flow(released_jobs(queued, demand.released, learned_of(fitted, shop), DRAWS, seed), shop)
