"""Builds of some weeks, logged or planned, and how they go through a shop."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from calib.calendar.clock import OpenClock, to_minutes
from calib.errors import LogFileError, TooFewRunsError
from calib.logs.read_plan import read_plan
from calib.quoting.flow import Flow, QueuedBuild, released_jobs, run_flow, spread_over
from calib.quoting.schedule import ON_MACHINE, Ahead
from calib.shop.model import Machine, Shop
from calib.store.open_store import open_store
from calib.store.runs import find_builds, find_runs
from calib.workflow.fitted import Fitted, has_store, learned_of
from calib.workflow.parts import with_parts
from calib.workflow.predict import scheduled_rows
from calib.workflow.spelling import as_spelled
from calib.workflow.training_rows import runs_by_build, went_together

WEEKS = 4.0
BEFORE = 4.0  # weeks whose builds run first, so that those of the weeks asked for do not come into an empty shop
DRAWS = 200
WEEK_MIN = 7 * 24 * 60.0
FIRST_DAY = datetime(2026, 1, 5)  # a Monday: a plan without dates is laid out from it


@dataclass(frozen=True, eq=False)
class Demand:
    """Builds of so many weeks in the order in which they came in, and where they come from.

    builds : as logged, and ``together``, the same text where they ended as one order; released : wall minutes, ascending
    before : builds of the weeks before these, ended or not, which stand before them
    left : machine -> wall minute at which it was rid of what came before all of them
    """

    builds: pd.DataFrame
    released: list[float]
    weeks: float
    source: str
    before: frozenset[str] = frozenset()
    left: dict[str, float] = field(default_factory=dict)

    @property
    def of_the_weeks(self) -> pd.DataFrame:
        """Those builds that are looked at."""
        return self.builds[~self.builds["build_id"].isin(self.before)].reset_index(drop=True)


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
    """Builds whose printing began in the last weeks before the last log, released when their first stage began; and
    what stood before them, by the logs.

    Raises TooFewRunsError where no printing of a build is logged.
    """
    if not has_store(folder):
        raise TooFewRunsError("Nothing is logged yet, so there is no demand to add up.", "Name a plan: --plan FILE.")
    with open_store(folder, read_only=True) as store:
        builds, runs = find_builds(store), find_runs(store)
    of_builds = runs_by_build(builds, runs)
    looked_at, until = begun_lately(of_builds, weeks)
    if not looked_at:
        raise TooFewRunsError("No printing is logged yet, so there is no demand.", "Name a plan: --plan FILE.")
    with_before, _ = begun_lately(of_builds, weeks + BEFORE)
    known = as_spelled(builds, shop)
    ran = known[known["build_id"].isin(with_before)]
    named = runs.explode("build_ids").groupby("build_ids")["started_at"].min().reindex(ran["build_id"])
    first = named.fillna(of_builds.groupby("build_id")["started_at"].min())
    order = np.argsort(first.to_numpy(), kind="stable")
    source = f"what ran in the {weeks:g} weeks up to {until:%Y-%m-%d}"
    ran = with_parts(folder, ran.iloc[order].reset_index(drop=True), shop)
    ran = ran.assign(together=ran["build_id"].map(went_together(ran, runs)))
    released = [stamp.timestamp() / 60 for stamp in first.iloc[order]]
    left = _machines_left(known[~known["build_id"].isin(with_before)], of_builds, shop)
    return Demand(ran, released, weeks, source, frozenset(with_before - looked_at), left)


def _machines_left(builds: pd.DataFrame, of_builds: pd.DataFrame, shop: Shop) -> dict[str, float]:
    """When each machine was rid of the last of these builds [wall min]."""
    there = of_builds[of_builds["stage"].isin(ON_MACHINE) & of_builds["ended_at"].notna()]
    last = there.groupby("build_id")["ended_at"].max().groupby(builds.set_index("build_id")["machine"]).max()
    whole = [name for name, machine in shop.machines.items() if machine.chambers == 1]
    return {machine: last[machine].timestamp() / 60 for machine in whole if machine in last.index}


def begun_lately(of_builds: pd.DataFrame, weeks: float) -> tuple[set[str], pd.Timestamp]:
    """Builds whose printing began in the last weeks before the last that did, and when that was; none, and no time, where
    no printing is logged.

    of_builds : as of ``runs_by_build``
    """
    printed = of_builds[(of_builds["stage"] == "printing") & of_builds["started_at"].notna()]
    until = printed["started_at"].max()
    return set(printed.loc[printed["started_at"] > until - timedelta(weeks=weeks), "build_id"]), until


def flow_of(demand: Demand, today: Shop, shop: Shop, fitted: Fitted, seed: int = 0) -> Flow:
    """The builds through a shop: today's as they were logged, a changed one's as is best on the whole.

    Who takes which build there: as logged; or, of a process whose machines were changed, each the machine of its material
    that is free first, where that is better; so a further machine never makes it worse.
    """
    flows = [_flow(demand, demand.builds, shop, fitted, seed)]
    for team in [] if shop is today else _teams(today, shop):
        builds, busy = demand.builds, [flows[0].had_machine(job)[0] for job in flows[0].jobs if not job.after]
        spread = spread_over(builds.to_dict("records"), demand.released, busy, team, demand.left)
        flows.append(_flow(demand, builds.assign(machine=spread), shop, fitted, seed))
    return min(flows, key=lambda flow: float(flow.turnaround_min.mean()))


def _teams(today: Shop, shop: Shop) -> list[list[Machine]]:
    """Machines over which builds are spread: today's, and all, of the changed processes."""
    both = {**today.machines, **shop.machines}
    changed = {machine.process for name, machine in both.items() if today.machines.get(name) != shop.machines.get(name)}
    everyone = [machine for machine in shop.machines.values() if machine.process in changed]
    kept = [machine for machine in everyone if machine.id in today.machines]
    return [team for team in (kept, everyone if len(everyone) > len(kept) else []) if team]


def _flow(demand: Demand, builds: pd.DataFrame, shop: Shop, fitted: Fitted, seed: int) -> Flow:
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
    jobs = released_jobs(queued, demand.released, learned_of(fitted, shop), DRAWS, seed)
    ahead = Ahead(
        {machine: np.full(DRAWS, left) for machine, left in demand.left.items()}, usual_free=dict(demand.left)
    )
    names = [job.name for job in jobs if not job.after]
    looked_at = [name for name, build in zip(names, builds["build_id"], strict=True) if build not in demand.before]
    return run_flow(jobs, shop, ahead, looked_at)
