"""What the logs say beside durations: how long things wait, how often a build fails."""

from __future__ import annotations

from datetime import timedelta

import pandas as pd

from calib.calendar.clock import OpenClock
from calib.quoting.staff import people_there, person_hours, waited_anyway
from calib.shop.model import Shop
from calib.workflow.gaps import is_by_hand, minutes_of
from calib.workflow.training_rows import runs_by_build

RAN_ON = 3  # prints without their stop are no chance; common practice, no source
STAFF_WEEKS = timedelta(weeks=8)  # whose work says how busy people are


def staff_table(runs: pd.DataFrame, shop: Shop, waits: pd.DataFrame, horizon: pd.Timestamp) -> pd.DataFrame:
    """What ``quoting.staff.Staff`` holds, one row: of the waits given, and of the work of the last STAFF_WEEKS."""
    recent = runs[(runs["ended_at"] <= horizon) & (runs["ended_at"] > horizon - STAFF_WEEKS)]
    worked = recent.loc[recent["stage"].map(is_by_hand).astype(bool), "work_min"].sum()
    clock = OpenClock(shop.attended, shop.closures, shop.timezone)
    begin = max(horizon - STAFF_WEEKS, recent["started_at"].min()) if len(recent) else horizon - STAFF_WEEKS
    there = float(clock.open_at(horizon.timestamp() / 60) - clock.open_at(begin.timestamp() / 60))
    total, anyway = 0.0, 0.0
    for _, own in waits[waits["wait_min"] >= 0].groupby(["process", "stage"]):
        wait = own["wait_min"].to_numpy(float)
        total += wait.sum()
        anyway += len(wait) * waited_anyway(wait, own["people_min"].to_numpy(float))
    share = max(1.0 - anyway / total, 0.0) if total > 0 else 0.0
    return pd.DataFrame(
        [
            {
                "share": share,
                "people": people_there(shop),
                "work": worked / max(there, 1.0),
                "hours": person_hours(shop),
            }
        ]
    )


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


def machines_that_run_on(
    runs: pd.DataFrame, baselines: pd.DataFrame, shop: Shop, horizon: pd.Timestamp
) -> pd.DataFrame:
    """Machines (``machine``) that do not stand still where their first filling is used up and nobody is there: RAN_ON
    prints, and half of those that were to stand, ended before anybody could have filled them."""
    prints = runs[(runs["stage"] == "printing") & (runs["ended_at"] <= horizon) & runs["started_at"].notna()]
    prints = prints[prints["outcome"].fillna("done").eq("done") & (prints["build_ids"].str.len() == 1)]
    prints = prints.assign(build_id=prints["build_ids"].str[0])[["build_id", "started_at", "ended_at"]]
    large = baselines[(baselines["stage"] == "printing") & (baselines["fillings"] > 1)]
    both = large[["build_id", "machine", "fillings"]].merge(prints, on="build_id")
    begin, end = (minutes_of(both[name]) for name in ("started_at", "ended_at"))
    clock = OpenClock(shop.attended, shop.closures, shop.timezone)
    used_up = begin + (end - begin) / both["fillings"].to_numpy(float)
    filled = clock.next_open(used_up)
    alone = both.assign(ran_on=end < filled)[filled > used_up]
    counts = alone.groupby("machine")["ran_on"].agg(["sum", "mean"])
    return pd.DataFrame({"machine": counts.index[(counts["sum"] >= RAN_ON) & (counts["mean"] >= 0.5)].tolist()})
