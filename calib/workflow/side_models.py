"""What the logs say beside durations: how long things wait, how often a build fails."""

from __future__ import annotations

import numpy as np
import pandas as pd

from calib.quoting.clock import OpenClock
from calib.shop.model import Shop
from calib.workflow.learning import runs_by_build


def wait_rows(
    builds: pd.DataFrame, runs: pd.DataFrame, shop: Shop, horizon: pd.Timestamp, since: pd.Timestamp | None = None
) -> pd.DataFrame:
    """Open minutes between the end of one stage of a build and the start of its next: process, stage, wait_min.

    horizon, since : only stages that had ended by the one, and began after the other
    """
    stamped = runs[runs["started_at"].notna() & runs["ended_at"].notna() & (runs["ended_at"] <= horizon)]
    shares = runs_by_build(builds, stamped)
    spans = shares.groupby(["build_id", "stage"], sort=False).agg(
        started_at=("started_at", "min"), ended_at=("ended_at", "max")
    )
    spans = spans.reset_index().sort_values(["build_id", "started_at"], kind="stable")
    spans["before"] = spans.groupby("build_id")["ended_at"].cummax().groupby(spans["build_id"]).shift()
    gaps = spans[spans["before"].notna() & (spans["started_at"] >= spans["before"])]
    gaps = gaps if since is None else gaps[gaps["started_at"] > since]
    clock = OpenClock(shop.hours, shop.closures, shop.timezone)
    wait = clock.open_at(_minutes(gaps["started_at"])) - clock.open_at(_minutes(gaps["before"]))
    process = gaps["build_id"].map(builds.set_index("build_id")["process"])
    frame = pd.DataFrame({"process": process, "stage": gaps["stage"], "wait_min": wait})
    return frame.reset_index(drop=True)


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
