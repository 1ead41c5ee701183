"""How far each build is on its route, by what is logged: what is done, what runs, and what must have ended unnoticed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from calib.calendar.clock import OpenClock
from calib.quoting.learned import Learned, Predictor
from calib.quoting.schedule import ON_MACHINE
from calib.records import hands_of
from calib.shop.model import Shop
from calib.workflow.training_rows import runs_by_build

USUAL, LONGEST = (
    0.5,
    0.99,
)  # of a stage's minutes; a run that is older than its longest has ended and nobody wrote it down
SPOILT = ("failed", "stopped")
LONG_WAIT_SDS = 1.3  # so many spreads over its middle a wait is as long as nine in ten are not


@dataclass(frozen=True)
class Event:
    """A logged run of one build; moments in wall minutes, ``ended`` None while it is open."""

    stages: tuple[str, ...]
    started: float
    ended: float | None
    outcome: str = "done"
    attempt: float = 1.0


@dataclass(frozen=True, eq=False)
class Standing:
    """Where a build stands.

    rows : its stages still to do, in order
    elapsed_min : minutes that the first of them has been under way
    place : of the first stage still to do in the process's route, by which builds under way are put in order
    """

    rows: pd.DataFrame
    elapsed_min: float
    place: int


def first_to_do(route: Sequence[str], events: Sequence[Event]) -> tuple[int, Event | None]:
    """Place in the route of the first stage still to do, and the open run at it.

    A build is past a stage as soon as a later one was logged. After a printing that failed it is to be set up again,
    unless what comes after the machine was logged since.

    >>> route = ("file_prep", "machine_setup", "printing", "washing", "packing")
    >>> setup, printing = Event(("machine_setup",), 0, 9), Event(("printing",), 9, None)
    >>> first_to_do(route, [setup, printing])[0], first_to_do(route, [setup, printing, Event(("washing",), 600, 620)])
    (2, (4, None))
    >>> first_to_do(route, [setup, Event(("printing",), 9, 30, "failed")])
    (1, None)
    >>> out, again = Event(("unloading",), 40, 50), Event(("machine_setup",), 60, 70, "done", 2)
    >>> route = ("file_prep", "machine_setup", "printing", "unloading", "packing")
    >>> first_to_do(route, [setup, Event(("printing",), 9, 30, "failed"), out, again])
    (2, None)
    """
    place = {stage: position for position, stage in enumerate(route)}
    spoilt = _spoilt(route, events)
    counted = [event for event in _of_last_attempt(route, events) if not spoilt or event.attempt > spoilt.attempt]
    placed = [(place[stage], event) for event in counted for stage in event.stages if stage in place]
    begun = next(position for position, stage in enumerate(route) if stage in ON_MACHINE) - 1 if spoilt else -1
    past = max((position for position, event in placed if event.ended is not None), default=begun)
    running = max(
        ((position, event) for position, event in placed if event.ended is None and position > past),
        key=lambda pair: pair[0],
        default=None,
    )
    return running or (max(past, begun) + 1, None)


def _of_last_attempt(route: Sequence[str], events: Sequence[Event]) -> list[Event]:
    """Events without those on the machine before it was last set up: what came after a print that failed is before it."""
    on_machine = {stage for stage in route if stage in ON_MACHINE}
    first = next((stage for stage in route if stage in on_machine), "")
    set_up = max((event.started for event in events if first in event.stages), default=-np.inf)
    last = max((event.attempt for event in events if on_machine & set(event.stages)), default=1.0)
    return [
        event
        for event in events
        if not on_machine & set(event.stages) or (event.started >= set_up and event.attempt >= last)
    ]


def _spoilt(route: Sequence[str], events: Sequence[Event]) -> Event | None:
    """The last printing, where it failed and nothing of what comes after the machine was logged."""
    on_machine = [position for position, stage in enumerate(route) if stage in ON_MACHINE]
    prints = sorted((event for event in events if "printing" in event.stages), key=lambda event: event.started)
    if not on_machine or not prints or prints[-1].outcome not in SPOILT:
        return None
    after = set(route[on_machine[-1] + 1 :])
    return None if any(after & set(event.stages) for event in events) else prints[-1]


@dataclass(frozen=True, eq=False)
class HowFar:
    """What is logged of builds, whatever the time is now.

    builds : build_id, process, machine of each
    events : build -> its logged runs; rows : build -> its stages with their times
    used : machine -> when anything was last logged at it, as wall minutes
    """

    builds: pd.DataFrame
    events: dict[str, list[Event]]
    rows: dict[str, pd.DataFrame]
    used: dict[str, float]


def how_far(builds: pd.DataFrame, runs: pd.DataFrame, rows: pd.DataFrame, learned: Learned) -> HowFar:
    """What the runs say of the builds; rows : of ``stage_rows``."""
    events = _events(builds, runs)
    rows = _with_times(rows, learned, {build for build, own in events.items() if own})
    by_build = {str(build): own for build, own in rows.groupby("build_id", sort=False)}
    return HowFar(builds[["build_id", "process", "machine"]], events, by_build, _last_used(runs))


def find_standings(far: HowFar, shop: Shop, now: float) -> dict[str, Standing]:
    """Where each build stands that is not done; one of which nothing is logged has all its stages before it.

    now : wall minutes
    """
    clock = OpenClock(shop.attended, shop.closures, shop.timezone)
    standings = {}
    for name, process, machine in far.builds.itertuples(index=False):
        if name in far.rows:
            used = far.used.get(machine, -np.inf)
            standing = _standing(far.rows[name], shop.routes[process], far.events.get(name, []), clock, now, used)
            if len(standing.rows):
                standings[name] = standing
    return standings


def _with_times(rows: pd.DataFrame, learned: Learned, begun: set[str]) -> pd.DataFrame:
    """Rows with usual and longest minutes, and how long a wait before them may take, for builds that have begun."""
    timed = rows.assign(usual=np.nan, longest=np.nan, long_wait=np.nan)
    own = rows["build_id"].isin(begun)
    if own.any():
        predicted = learned.calibrator.predict(rows[own], quantiles=(USUAL, LONGEST))
        timed.loc[own, ["usual", "longest"]] = predicted[[USUAL, LONGEST]].to_numpy(float)
        pairs = zip(rows.loc[own, "process"], rows.loc[own, "stage"], strict=True)
        timed.loc[own, "long_wait"] = [_long_wait(learned, process, stage) for process, stage in pairs]
    return timed


def _long_wait(learned: Learned, process: str, stage: str) -> float:
    if learned.waits is None:
        return 0.0
    _, middle, spread, _ = learned.waits.parameters(process, stage)
    return float(np.exp(middle + LONG_WAIT_SDS * spread))


def _last_used(runs: pd.DataFrame) -> dict[str, float]:
    """When anything was last logged at each station, as wall minutes."""
    moments = runs["ended_at"].fillna(runs["started_at"])
    return {str(name): last.timestamp() / 60 for name, last in moments.groupby(runs["station"]).max().dropna().items()}


def _standing(
    rows: pd.DataFrame, route: Sequence[str], events: list[Event], clock: OpenClock, now: float, used: float
) -> Standing:
    """used : when the build's machine was last used"""
    place = {stage: position for position, stage in enumerate(route)}
    first, running = first_to_do(route, events)
    left = rows[rows["stage"].map(place) >= first]
    if not events:
        return Standing(left, 0.0, first)
    last = running.started if running else max(_end(event) for event in events)
    under_way = running is not None
    for row in left.to_dict("records"):
        alone = _alone(row["stage"])
        if not (alone or under_way):
            break
        elapsed = _minutes(clock, last, now, alone)
        if elapsed <= row["longest"]:
            return Standing(left, max(elapsed, 0.0), place[row["stage"]])
        left, last, under_way = left.iloc[1:], _later(clock, last, row["usual"], alone), False
    if not any(stage in ON_MACHINE for event in events for stage in event.stages):
        last = max(last, used)  # it may stand in the machine's queue, however long that is
    if len(left) and _minutes(clock, last, now, False) > left["longest"].sum() + left["long_wait"].sum():
        left = left.iloc[:0]  # nobody writes so late that it went on: it was done unnoticed
    return Standing(left, 0.0, place[left["stage"].iloc[0]] if len(left) else len(route))


def never_ended(
    logged: pd.DataFrame, baselines: pd.DataFrame, model: Predictor, shop: Shop, now: float
) -> pd.DataFrame:
    """Open runs that are older than any like them: run_key, usual_min, says.

    logged : runs, of which those of one stage of one build are looked at; now : wall minutes
    """
    still = logged[(logged["state"] == "running") & (logged["build_ids"].str.len() == 1) & logged["started_at"].notna()]
    still = still.assign(build_id=still["build_ids"].str[0])
    rows = baselines.merge(still[["run_key", "build_id", "stage", "started_at"]], on=["build_id", "stage"])
    if rows.empty:
        return pd.DataFrame(columns=["run_key", "usual_min", "says"])
    predicted = model.predict(rows, quantiles=(USUAL, LONGEST))
    clock = OpenClock(shop.attended, shop.closures, shop.timezone)
    begun = [stamp.timestamp() / 60 for stamp in rows["started_at"]]
    elapsed = [_minutes(clock, moment, now, _alone(stage)) for moment, stage in zip(begun, rows["stage"], strict=True)]
    rows = rows.assign(usual_min=predicted[USUAL].to_numpy())[np.array(elapsed) > predicted[LONGEST].to_numpy()]
    days = rows["started_at"].dt.tz_convert(shop.timezone).dt.strftime("%Y-%m-%d")
    says = [
        f"begun on {day} never ended, and takes {usual:.0f} min as usual: finished, or failed?"
        for day, usual in zip(days, rows["usual_min"], strict=True)
    ]
    return rows.assign(says=says)[["run_key", "usual_min", "says"]]


def _alone(stage: str) -> bool:
    return hands_of(stage) == "none"


def _end(event: Event) -> float:
    return event.started if event.ended is None else event.ended


def _minutes(clock: OpenClock, begin: float, end: float, alone: bool) -> float:
    return end - begin if alone else float(clock.open_at(end) - clock.open_at(begin))


def _later(clock: OpenClock, begin: float, minutes: float, alone: bool) -> float:
    return begin + minutes if alone else float(clock.after(begin, minutes))


def _events(builds: pd.DataFrame, runs: pd.DataFrame) -> dict[str, list[Event]]:
    """Logged runs of each build, those of its order too."""
    shares = runs_by_build(builds, _near(builds, runs[runs["outcome"] != "void"]))
    events: dict[str, list[Event]] = {}
    for run in shares.to_dict("records"):
        events.setdefault(run["build_id"], []).append(_event(run))
    return events


def _near(builds: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """Runs that can be of these builds: looked at before they are laid out build by build."""
    ids, orders = set(builds["build_id"]), set(builds["order_id"].dropna().str.split("+").explode())
    mine = [
        not ids.isdisjoint(named) if len(named) else bool(orders & set(str(order).split("+")))
        for named, order in zip(runs["build_ids"], runs["order_id"], strict=True)
    ]
    return runs[np.array(mine, bool)]


def _event(run: Mapping[Any, Any]) -> Event:
    started, ended = run["started_at"], run["ended_at"]
    begin = started if pd.notna(started) else ended
    return Event(
        stages=tuple(run["stage"].split("+")),
        started=begin.timestamp() / 60,
        ended=ended.timestamp() / 60 if pd.notna(ended) else None,
        outcome=run["outcome"],
        attempt=float(run["attempt"]),
    )
