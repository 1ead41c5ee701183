"""What is under way in the lab, build by build: what runs, what comes next, where, with which care, and until when."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib.calendar.clock import OpenClock, from_minutes, to_minutes
from calib.documents.bench import BuildStep, BuildUnderWay, OpenRun, RunningRun, StepTimes, UnderWay
from calib.quoting.flow import QueuedBuild
from calib.quoting.ranges import iso
from calib.quoting.schedule import ON_MACHINE
from calib.records import hands_of
from calib.safety import cautions
from calib.shop.model import Shop
from calib.store.open_store import open_store
from calib.store.runs import find_builds, find_runs
from calib.workflow.promises import Today, find_today
from calib.workflow.queue import awaited_builds, find_queue_and_orders

SHOWN = (0.5, 0.9)
FORGOTTEN_DAYS = 14  # an open run that is older is asked about with the week's questions


def find_under_way(folder: Path, start: str | None = None) -> UnderWay:
    """The lab as the logs have it; start : then instead of now"""
    today = find_today(folder, start)
    queue, orders = find_queue_and_orders(folder, today.shop, today.fitted, pd.Timestamp(today.now))
    with open_store(folder, read_only=True) as store:
        runs, logged = find_runs(store), find_builds(store).set_index("build_id")
    awaited = awaited_builds(orders)
    plans = {} if awaited.empty else awaited.set_index("build_id").to_dict("index")
    still = runs[(runs["state"] == "running") & runs["started_at"].notna()]
    minutes = _minutes(queue, today)
    builds = []
    for build, usual in zip(queue, minutes, strict=True):
        known: dict[Any, Any] = plans.get(build.build_id) or (
            logged.loc[build.build_id].to_dict() if build.build_id in logged.index else {}
        )
        own = still[np.array([build.build_id in ids for ids in still["build_ids"]], bool)]
        attempt = 1 + _spoilt(build, runs)
        builds.append(_build(build, known, build.build_id in plans, usual, own, attempt, today))
    return {
        "at": today.now.isoformat(),
        "builds": builds,
        "open_runs": _open_runs(still, today),
        "places": [*today.shop.machines, *today.shop.stations],
        "people": today.shop.people_names,
        "crew": sum(crew.size for crew in today.shop.crews.values()),
    }


def _spoilt(build: QueuedBuild, runs: pd.DataFrame) -> int:
    """How many runs of its next step came to nothing."""
    bad = runs[runs["outcome"].isin(("failed", "stopped")) & (runs["stage"] == build.rows["stage"].iloc[0])]
    return sum(build.build_id in ids for ids in bad["build_ids"])


def _minutes(queue: Sequence[QueuedBuild], today: Today) -> list[np.ndarray]:
    """SHOWN quantiles of the minutes of each step of each build, shape (steps, 2)."""
    rows = [
        build.rows.assign(
            process=build.process, machine=build.machine, material=build.material, build_id=build.build_id
        )
        for build in queue
    ]
    if not rows:
        return []
    predicted = today.fitted.model.predict(pd.concat(rows, ignore_index=True), quantiles=SHOWN)[list(SHOWN)].to_numpy(
        float
    )
    ends = np.cumsum([len(own) for own in rows])
    return np.split(predicted, ends[:-1])


def _build(
    build: QueuedBuild, known: dict[Any, Any], is_awaited: bool, usual: np.ndarray, runs: pd.DataFrame, attempt: int,
    today: Today,
) -> BuildUnderWay:  # fmt: skip
    shop, floors = today.shop, build.rows["floor_min"].to_numpy(float)
    steps: list[BuildStep] = [
        {
            "stage": stage,
            "places": places_of(stage, build.machine, shop),
            "cautions": list(cautions(build.process, stage, shop.cautions)),
            "usual_min": round(float(middle), 1),
            "most_min": round(float(most), 1),
            "least_min": None if np.isnan(least) else float(least),
            "hands": hands_of(stage),
        }
        for stage, (middle, most), least in zip(build.rows["stage"], usual, floors, strict=True)
    ]
    parts = known.get("parts")
    return {
        "build_id": build.build_id,
        "process": build.process,
        "machine": build.machine,
        "material": build.material,
        "parts": int(parts) if parts is not None and parts == parts else None,
        "order_id": build.order_id or None,
        "quote_id": build.quote_id or None,
        "is_awaited": is_awaited,
        "has_begun": known.get("status") in ("running", "printed"),
        "plan": {name: value for name, value in known.items() if value is not None and value == value}
        if is_awaited
        else None,
        "steps": steps,
        "running": _running(steps, runs, today),
        "attempt": attempt,
    }


def _running(steps: list[BuildStep], runs: pd.DataFrame, today: Today) -> RunningRun | None:
    """The open run of the first step, if one is logged."""
    own = runs[runs["stage"] == steps[0]["stage"]] if steps else runs[:0]
    if own.empty:
        return None
    run, step = own.iloc[-1], steps[0]
    times = times_of(step, run["started_at"].to_pydatetime(), today.shop)
    return {**logged_run(run), **times, "is_early": is_early(times)}


def logged_run(run: pd.Series) -> OpenRun:
    """An open run with the columns that make up its key."""
    key = str(run["run_key"])
    station, operator, order_id = (
        run[name] if isinstance(run[name], str) else "" for name in ("station", "operator", "order_id")
    )
    return {
        "run": run["run_key"],
        "build_id": "+".join(run["build_ids"]),
        "stage": run["stage"],
        "started_at": run["started_at"].isoformat(),
        "attempt": int(run["attempt"]),
        "run_id": key.removeprefix("run ") if key.startswith("run ") else "",
        "station": station,
        "operator": operator,
        "order_id": order_id,
    }


def times_of(step: BuildStep, began: datetime, shop: Shop) -> StepTimes:
    """When a step that began then usually ends, by when 9 of 10 do, and before when its least time is not over."""
    clock = OpenClock(shop.hours, shop.closures, shop.timezone)
    begin = to_minutes(began)

    def after(minutes: float) -> str:
        alone = step["hands"] in ("none", "ends")
        return iso(begin + minutes if alone else float(clock.after(begin, minutes)), shop.timezone)

    least = step["least_min"]
    return {
        "usual_at": after(step["usual_min"]),
        "most_at": after(step["most_min"]),
        "least_at": from_minutes(begin + least, shop.timezone).isoformat() if least else None,
    }


def is_early(times: StepTimes) -> bool:
    """Whether the least time is not over."""
    return times["least_at"] is not None and datetime.fromisoformat(times["least_at"]) > datetime.now(UTC)


def places_of(stage: str, machine: str, shop: Shop) -> list[str]:
    """Where a stage can be done: the build's machine, else the stations that are for it."""
    if stage in ON_MACHINE:
        return [machine] if machine else []
    return [station.id for station in shop.stations.values() if stage in station.stages]


def _open_runs(still: pd.DataFrame, today: Today) -> list[OpenRun]:
    """Open runs, the latest first: some of them have ended, and nobody wrote it down."""
    recent = still[still["started_at"] > pd.Timestamp(today.now) - timedelta(days=FORGOTTEN_DAYS)]
    latest = recent.sort_values("started_at", ascending=False)
    return [logged_run(run) for _, run in latest.iterrows()]
