"""What the logs say beside durations: how long things wait, how often a build fails."""

from __future__ import annotations

import numpy as np
import pandas as pd

from calib.quoting.clock import OpenClock
from calib.quoting.schedule import ON_MACHINE
from calib.shop.model import Shop
from calib.workflow.learning import runs_by_build


def wait_rows(
    builds: pd.DataFrame, runs: pd.DataFrame, shop: Shop, horizon: pd.Timestamp, since: pd.Timestamp | None = None
) -> pd.DataFrame:
    """Open minutes that a stage could have begun earlier, one row for each run after a build's first: process, stage, wait_min.

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
    wait = clock.open_at(_minutes(gaps["started_at"])) - clock.open_at(_minutes(gaps["before"]))
    process = gaps["build_id"].map(builds.set_index("build_id")["process"])
    frame = pd.DataFrame({"process": process, "stage": gaps["stage"], "wait_min": wait})
    return frame.reset_index(drop=True)


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
