"""The lab's own route by its logs, where it is another than the shop file's: a proposal, which changes nothing by itself."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from calib.documents.model import RouteProposal
from calib.records import STAGES
from calib.safety import missing_stages, out_of_order
from calib.shop.limits import is_limited
from calib.shop.model import Shop
from calib.workflow.gaps import NEVER_SEEN_IN
from calib.workflow.training_rows import builds_served

HABIT = 0.8  # of the builds in which both are logged: so many times one stage comes before another; common practice, no source
FEWEST = 5  # builds that have a stage, or both of a pair: fewer are no habit


def propose_routes(
    builds: pd.DataFrame, runs: pd.DataFrame, shop: Shop, not_done: Collection[tuple[str, str]]
) -> list[RouteProposal]:
    """A proposal for each process of which many builds show another route than the shop file's.

    runs : that had ended; not_done : (process, stage) of which a person said that they are not done here
    """
    starts = _starts(builds, runs)
    proposals = []
    for process, rows in starts.groupby("process"):
        printed = rows.loc[rows["stage"] == "printing", "build_id"].nunique()
        if printed >= NEVER_SEEN_IN and process in shop.routes:
            route = own_route(str(process), rows, shop, not_done)
            if route != shop.routes[str(process)]:
                proposals.append(_proposal(str(process), printed, route, shop.routes[str(process)]))
    return proposals


def own_route(process: str, starts: pd.DataFrame, shop: Shop, not_done: Collection[tuple[str, str]]) -> tuple[str, ...]:
    """Stages in the order in which they are logged. What a person said is not done is left out, unless a hazard or a data
    sheet asks for it; what is logged and not in the shop's route comes in.

    starts : build_id, stage, started of one process
    """
    table = shop.routes[process]
    counts = starts.groupby("stage")["build_id"].nunique()
    known = [stage for stage in counts.index[counts >= FEWEST] if process in _processes(stage)]
    materials = [name for name, material in shop.materials.items() if material.process == process]
    kept = {
        stage
        for stage in table
        if (process, stage) not in not_done or any(is_limited(shop, process, name, stage) for name in materials)
    } | set(known)
    kept |= set(missing_stages(process, kept)) & set(table)
    times = starts.pivot_table(index="build_id", columns="stage", values="started", aggfunc="min")
    habits = _habits(times)
    route = _in_order([stage for stage in table if stage in kept], times.columns, habits)
    for stage in (stage for stage in known if stage not in table):
        route = _put_in(stage, route, habits)
    return tuple(route) if not out_of_order(process, route) else tuple(stage for stage in table if stage in kept)


def _starts(builds: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """First start of each stage of each build [min]: build_id, process, stage, started."""
    rows = runs[runs["started_at"].notna()]
    rows = rows[["stage", "started_at"]].assign(build_id=pd.Series(builds_served(builds, rows), rows.index, object))
    rows = rows.explode("build_id")
    rows = rows.assign(stage=rows["stage"].str.split("+"), started=rows["started_at"].map(pd.Timestamp.timestamp))
    rows = rows.explode("stage")
    first = rows.groupby(["build_id", "stage"], as_index=False)["started"].min()
    merged: pd.DataFrame = first.merge(builds[["build_id", "process"]], on="build_id")
    return merged


def _processes(stage: str) -> Collection[str]:
    return STAGES[stage].processes if stage in STAGES else ()


def _habits(times: pd.DataFrame) -> set[tuple[str, str]]:
    """Pairs of stages of which the first comes before the second in HABIT of the builds that have both, FEWEST at least."""
    at = times.to_numpy(float)
    has = np.isfinite(at)
    habits: set[tuple[str, str]] = set()
    for place, stage in enumerate(times.columns):
        both = (has & has[:, [place]]).sum(axis=0)
        before = (at[:, [place]] < at).sum(axis=0)  # a missing start is before nothing
        habits.update((stage, then) for then in times.columns[(both >= FEWEST) & (before >= HABIT * both)])
    return habits


def _in_order(route: list[str], logged: Collection[str], habits: Collection[tuple[str, str]]) -> list[str]:
    """Logged neighbours change places where the logs have them the other way round as a habit; others stay where they are."""
    order = [stage for stage in route if stage in logged]
    for _ in order:
        for place in range(len(order) - 1):
            first, then = order[place : place + 2]
            if (then, first) in habits:
                order[place : place + 2] = then, first
    sorted_ones = iter(order)
    return [next(sorted_ones) if stage in logged else stage for stage in route]


def _put_in(stage: str, route: list[str], habits: Collection[tuple[str, str]]) -> list[str]:
    """Behind the last stage that comes before it as a habit."""
    behind = [place for place, other in enumerate(route) if (other, stage) in habits]
    place = max(behind, default=-1) + 1
    return [*route[:place], stage, *route[place:]]


def _proposal(process: str, builds: int, route: Sequence[str], table: Sequence[str]) -> RouteProposal:
    left_out, added = [stage for stage in table if stage not in route], [stage for stage in route if stage not in table]
    shared = [stage for stage in table if stage in route]
    moved = [stage for stage in route if stage in table] != shared
    return {
        "process": process,
        "builds": builds,
        "left_out": left_out,
        "added": added,
        "moved": moved,
        "lines": ["[routes]", f"{process} = {json.dumps(list(route))}"],
    }
