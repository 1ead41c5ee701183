"""What the logs say beside durations: how long things wait, how often a build fails."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd

from calib.quoting.clock import OpenClock
from calib.quoting.schedule import ON_MACHINE
from calib.quoting.staff import came_free, people_of
from calib.records import STAGES
from calib.shop.model import Shop
from calib.workflow.learning import runs_by_build

STAFF_WEEKS = timedelta(weeks=8)  # whose work says how busy people are


def wait_rows(
    builds: pd.DataFrame, runs: pd.DataFrame, shop: Shop, horizon: pd.Timestamp, since: pd.Timestamp | None = None
) -> pd.DataFrame:
    """Open minutes that a stage could have begun earlier, one row for each run after a build's first: process, stage, wait_min,
    and how much of it nobody was free: people_min.

    What the schedule explains is no wait: it counts from when the last build that shares the run had come through its
    stage before, and the first stage on a machine from when the build before it had left the machine.

    horizon, since : only stages that had ended by the one, and began after the other
    """
    stamped = runs[runs["started_at"].notna() & runs["ended_at"].notna() & (runs["ended_at"] <= horizon)]
    shares = runs_by_build(builds, stamped)
    spans = shares.groupby(["build_id", "stage"], sort=False).agg(
        started_at=("started_at", "min"), ended_at=("ended_at", "max"), run_key=("run_key", "first")
    )
    spans = spans.reset_index().sort_values(["build_id", "started_at"], kind="stable")
    spans["before"] = spans.groupby("build_id")["ended_at"].cummax().groupby(spans["build_id"]).shift()
    spans = spans[spans["before"].notna()].merge(
        _machine_left(builds, shares, shop), how="left", on=["build_id", "stage"]
    )
    spans["before"] = spans["before"].where(~(spans["left_at"] > spans["before"]), spans["left_at"])
    spans["before"] = spans.groupby("run_key")["before"].transform("max")
    gaps = spans[spans["started_at"] >= spans["before"]].drop_duplicates("run_key")
    gaps = gaps if since is None else gaps[gaps["started_at"] > since]
    clock = OpenClock(shop.hours, shop.closures, shop.timezone)
    ready = clock.open_at(_minutes(gaps["before"]))
    wait = clock.open_at(_minutes(gaps["started_at"])) - ready
    free = gaps["run_key"].map(_people_free(stamped, shop)).fillna(-np.inf).to_numpy(float)
    free = np.where(np.isfinite(free), clock.open_at(np.maximum(free, _minutes(gaps["before"]))), ready)
    process = gaps["build_id"].map(builds.set_index("build_id")["process"])
    frame = pd.DataFrame({"process": process, "stage": gaps["stage"], "wait_min": wait})
    return frame.assign(people_min=np.clip(free - ready, 0.0, wait)).reset_index(drop=True)


def _people_free(runs: pd.DataFrame, shop: Shop) -> dict[str, float]:
    """For each run by hand the wall minute at which one of the shop's people was free of all that began before."""
    people = people_of(shop)
    by_hand = runs[runs["stage"].map(_is_by_hand)].sort_values("started_at", kind="stable")
    if not people or by_hand.empty:
        return {}
    return dict(zip(by_hand["run_key"], came_free(_minutes(by_hand["ended_at"]), people), strict=True))


def _is_by_hand(stages: str) -> bool:
    return any(stage not in STAGES or STAGES[stage].hands in ("all", "part") for stage in stages.split("+"))


def staff_table(runs: pd.DataFrame, shop: Shop, waits: pd.DataFrame, horizon: pd.Timestamp) -> pd.DataFrame:
    """What ``quoting.staff.Staff`` holds, one row: of the waits given, and of the work of the last STAFF_WEEKS."""
    recent = runs[(runs["ended_at"] <= horizon) & (runs["ended_at"] > horizon - STAFF_WEEKS)]
    worked = recent.loc[recent["stage"].map(_is_by_hand).astype(bool), "work_min"].sum()
    clock = OpenClock(shop.hours, shop.closures, shop.timezone)
    begin = max(horizon - STAFF_WEEKS, recent["started_at"].min()) if len(recent) else horizon - STAFF_WEEKS
    there = float(clock.open_at(horizon.timestamp() / 60) - clock.open_at(begin.timestamp() / 60))
    total = waits["wait_min"].clip(lower=0).sum()
    share = float(waits["people_min"].sum() / total) if total > 0 else 0.0
    return pd.DataFrame([{"share": share, "people": people_of(shop), "work": worked / max(there, 1.0)}])


def _machine_left(builds: pd.DataFrame, shares: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """When the builds before a build had left its machine, beside its first stage there: build_id, stage, left_at."""
    there = shares[shares["stage"].isin(ON_MACHINE)].sort_values("started_at", kind="stable")
    machine = builds.set_index("build_id")["machine"]
    taken_out = [name for name, one in shop.machines.items() if one.chambers > 1]
    leaves = there[(there["stage"] == "printing") | ~there["build_id"].map(machine).isin(taken_out)]
    visits = there.drop_duplicates("build_id")[["build_id", "stage"]]
    last = leaves.groupby("build_id")["ended_at"].max().reindex(visits["build_id"]).set_axis(visits.index)
    own = visits["build_id"].map(machine)
    return visits.assign(left_at=last.groupby(own).cummax().groupby(own).shift())


def failure_rows(builds: pd.DataFrame, runs: pd.DataFrame, horizon: pd.Timestamp) -> pd.DataFrame:
    """One row for each printed build: process, machine, material, height_mm, failed."""
    printed = runs[(runs["stage"] == "printing") & (runs["ended_at"] <= horizon)]
    printed = printed[["build_ids", "outcome"]].explode("build_ids")
    failed = printed["outcome"].eq("failed").groupby(printed["build_ids"]).any()
    frame = builds[builds["build_id"].isin(failed.index)].reindex(
        columns=["build_id", "process", "machine", "material", "height_mm"]
    )
    return frame.assign(failed=frame["build_id"].map(failed).astype(bool)).drop(columns="build_id")


def redo_rows(builds: pd.DataFrame, runs: pd.DataFrame, horizon: pd.Timestamp) -> pd.DataFrame:
    """One row for each stage of each build but its printing: process, stage, redone (it had a further attempt)."""
    done = runs[(runs["ended_at"] <= horizon) & ~runs["stage"].str.contains("+", regex=False)]
    shares = runs_by_build(builds, done[done["stage"] != "printing"])
    attempt = shares["attempt"].astype(float).fillna(1.0)
    last = attempt.groupby([shares["build_id"], shares["stage"]]).max().reset_index()
    process = last["build_id"].map(builds.set_index("build_id")["process"])
    return pd.DataFrame({"process": process, "stage": last["stage"], "redone": last["attempt"] > 1})


def _minutes(stamps: pd.Series) -> np.ndarray:
    """Stamps as minutes since 1970 in UTC."""
    return ((stamps - pd.Timestamp(0, tz="UTC")).dt.total_seconds() / 60).to_numpy()
