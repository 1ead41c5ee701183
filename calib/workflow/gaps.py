"""What the logs say of the time between stages: what the schedule explains, what is done without a word, what is left as wait."""

from __future__ import annotations

from collections.abc import Collection
from functools import cache

import numpy as np
import pandas as pd

from calib.baseline.route import default_route
from calib.calendar.clock import OpenClock
from calib.quoting.learned import AS_USUAL, Silent
from calib.quoting.schedule import ON_MACHINE
from calib.quoting.staff import came_free, people_of
from calib.records import hands_of
from calib.shop.model import Shop
from calib.workflow.routes import FEWEST_BUILDS
from calib.workflow.training_rows import runs_by_build

AT_ONCE = (
    0.25  # one gap in four is taken to hold no wait: what it leaves for stages without a word is their time at most
)
AT_MOST = 0.9  # nine gaps in ten leave no more room than this one; common practice, no source
NEVER_SEEN_IN = 20  # builds; common practice, no source


def find_gaps(
    builds: pd.DataFrame, runs: pd.DataFrame, shop: Shop, horizon: pd.Timestamp, silent: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Times before each run after a build's first, in wall minutes, one row for each run that could not begin sooner.

    silent : of ``silent_stages``: they are taken to be done in the gaps where they belong

    Returns process, stage, before (the stage logged before it), started, ready (when the last build that shares the run had come through its stage before,
    for the first stage on a machine also when the build before it had left the machine, and when silent stages were
    done), alone and by_hand (minutes of silent stages in the gap), unclear (they are known from gaps alone), people_free (when somebody was free; -inf).
    """
    stamped = runs[runs["started_at"].notna() & runs["ended_at"].notna() & (runs["ended_at"] <= horizon)]
    clock = OpenClock(shop.attended, shop.closures, shop.timezone)
    shares = runs_by_build(builds, stamped)
    shares = shares.assign(started=minutes_of(shares["started_at"]), ended=minutes_of(shares["ended_at"]))
    spans = shares.groupby(["build_id", "stage"], sort=False).agg(
        started=("started", "min"), ended=("ended", "max"), run_key=("run_key", "first")
    )
    spans = spans.reset_index().sort_values(["build_id", "started"], kind="stable")
    spans["process"] = spans["build_id"].map(builds.set_index("build_id")["process"])
    place = {
        (process, stage): position for process, route in shop.routes.items() for position, stage in enumerate(route)
    }
    spans["place"] = [
        min((place.get((process, stage), -1) for stage in stages.split("+")), default=-1)
        for process, stages in zip(spans["process"], spans["stage"], strict=True)
    ]
    of_build = spans.groupby("build_id", sort=False)
    spans["before"] = of_build["stage"].shift().fillna("").map(lambda stages: stages.rpartition("+")[2])
    spans["ready"] = of_build["ended"].cummax().groupby(spans["build_id"]).shift()
    spans["past"] = of_build["place"].cummax().groupby(spans["build_id"]).shift()
    gaps = spans[spans["ready"].notna()].reset_index(drop=True)
    gaps = gaps.join(_silent_minutes(gaps, silent))
    gaps["ready"] = clock.after(gaps["ready"].to_numpy(float) + gaps["alone"].to_numpy(), gaps["by_hand"].to_numpy())
    gaps = gaps.merge(_machine_left(builds, spans, shop, silent, clock), how="left", on=["build_id", "stage"])
    gaps["ready"] = gaps[["ready", "left_at"]].max(axis=1)
    gaps["ready"] = gaps.groupby("run_key")["ready"].transform("max")
    gaps["people_free"] = gaps["run_key"].map(_people_free(stamped, shop)).fillna(-np.inf)
    return gaps.drop_duplicates("run_key").reset_index(drop=True)


def wait_rows(gaps: pd.DataFrame, shop: Shop, since: pd.Timestamp | None = None) -> pd.DataFrame:
    """Open minutes that a stage could have begun earlier: process, stage, before, wait_min, and how much of it nobody was free:
    people_min.

    gaps : of ``find_gaps``; since : only stages that began after it
    """
    held = gaps[(gaps["started"] >= gaps["ready"] - gaps["alone"] - gaps["by_hand"]) & ~gaps["unclear"]]
    held = held if since is None else held[held["started"] > since.timestamp() / 60]
    clock = OpenClock(shop.attended, shop.closures, shop.timezone)
    started, ready = held["started"].to_numpy(float), held["ready"].to_numpy(float)
    begin = clock.open_at(np.minimum(ready, started))
    wait = clock.open_at(started) - begin
    free = clock.open_at(np.maximum(held["people_free"].to_numpy(float), np.minimum(ready, started)))
    return (
        held[["process", "stage", "before"]]
        .assign(wait_min=wait, people_min=np.clip(free - begin, 0.0, wait))
        .reset_index(drop=True)
    )


def silent_stages(builds: pd.DataFrame, runs: pd.DataFrame, baselines: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """Stages of each build with a run that its lab never writes down, with the minutes of their baselines: build_id,
    process, stage, place (in the route), minutes, floor_min, alone."""
    worked = runs_by_build(builds, runs)[["build_id", "stage"]].merge(builds[["build_id", "process"]], on="build_id")
    counts = worked[worked["stage"] == "printing"].groupby("process")["build_id"].nunique()
    known = {str(process) for process, count in counts.items() if count >= FEWEST_BUILDS}
    logged = {
        (process, stage)
        for process, stages in worked[["process", "stage"]].drop_duplicates().itertuples(index=False)
        for stage in stages.split("+")
    }
    silent = {
        (process, stage): place
        for process in known & set(shop.routes)
        for place, stage in enumerate(shop.routes[process])
        if (process, stage) not in logged and stage not in shop.always_logged
    }
    supports = builds.reindex(columns=["support_volume_cm3"])["support_volume_cm3"].fillna(0) > 0
    supported = dict(zip(builds["build_id"], supports, strict=True))
    usual = cache(lambda process, finish, material, has: set(default_route(process, finish, material, has, shop)))
    rows = baselines[baselines["build_id"].isin(worked["build_id"])]
    rows = rows[[pair in silent for pair in zip(rows["process"], rows["stage"], strict=True)]]
    named = rows[["build_id", "process", "stage", "finish", "material"]].itertuples(index=False, name=None)
    kept = [
        stage in usual(process, _text(finish), _text(material), bool(supported[build]))
        for build, process, stage, finish, material in named
    ]
    rows = rows[np.array(kept, bool)]
    return rows[["build_id", "process", "stage"]].assign(
        place=[silent[pair] for pair in zip(rows["process"], rows["stage"], strict=True)],
        minutes=rows["baseline_min"].astype(float),
        floor_min=rows["floor_min"].fillna(0.0),
        alone=[hands_of(stage) == "none" for stage in rows["stage"]],
    )


def with_shares(silent: pd.DataFrame, shares: Silent) -> pd.DataFrame:
    """The minutes that silent stages take by these shares, never less than a data sheet's; unclear : known from gaps alone,
    so that what is left of a gap is no wait to learn."""
    pairs = list(zip(silent["process"], silent["stage"], strict=True))
    times = [shares.get(pair, AS_USUAL).times(one) for pair, one in zip(pairs, silent["minutes"], strict=True)]
    unclear = [shares.get(pair, AS_USUAL).sd is not None for pair in pairs]
    minutes = np.maximum(silent["minutes"] * np.array(times, float), silent["floor_min"])
    return silent.assign(minutes=minutes, unclear=np.array(unclear, bool))


def silent_shares(
    gaps: pd.DataFrame,
    silent: pd.DataFrame,
    shop: Shop,
    level: float = AT_ONCE,
    unseen: float = 0.0,
    not_written: Collection[tuple[str, str]] = (),
) -> dict[tuple[str, str], float]:
    """What silent stages take of their baseline at most, by the gaps in which they are done: (process, stage) -> share.

    gaps : of ``find_gaps`` without silent ones; silent : with their whole baselines; level : of the gaps that have
    less room; unseen : share of those before all that is written down; not_written : (process, stage)
    of which a person said that they are done: before all that is written down they take their baseline
    """
    if silent.empty:
        return {}
    clock = OpenClock(shop.attended, shop.closures, shop.timezone)
    inside = gaps.reset_index(names="gap").merge(silent, on=["build_id", "process"], suffixes=("", "_silent"))
    inside = inside[(inside["past"] < inside["place_silent"]) & (inside["place_silent"] < inside["place"])]
    needed = inside.groupby("gap")["minutes"].transform("sum")
    is_open = clock.open_at(inside["started"].to_numpy(float)) - clock.open_at(inside["ready"].to_numpy(float))
    there = np.where(inside["alone_silent"], inside["started"] - inside["ready"], is_open)
    inside = inside.assign(share=np.clip(there / np.maximum(needed, 1e-9), 0.0, 1.0))
    by_stage = inside.groupby(["process", "stage_silent"])["share"]
    early = {pair: 1.0 if pair in not_written else unseen for pair in _before_the_first(gaps, silent)}
    return early | dict(by_stage.quantile(level)[by_stage.size() >= FEWEST_BUILDS])


def _before_the_first(gaps: pd.DataFrame, silent: pd.DataFrame) -> list[tuple[str, str]]:
    """Silent stages before any that is written down, once many builds show none: done before the order came in, if at all."""
    first = gaps.groupby("process")["past"].min()
    early = silent[silent["place"] < silent["process"].map(first)]
    counts = early.groupby(["process", "stage"])["build_id"].nunique()
    return list(counts[counts >= NEVER_SEEN_IN].index)


def _silent_minutes(gaps: pd.DataFrame, silent: pd.DataFrame | None) -> pd.DataFrame:
    """Minutes of silent stages in each gap that pass alone, and by hand, and ``unclear``, with the index of ``gaps``."""
    minutes = pd.DataFrame({"alone": 0.0, "by_hand": 0.0, "unclear": False}, index=gaps.index)
    if silent is None or silent.empty:
        return minutes
    inside = (
        gaps[["build_id", "past", "place"]]
        .reset_index(names="gap")
        .merge(silent, on="build_id", suffixes=("", "_silent"))
    )
    inside = inside[(inside["past"] < inside["place_silent"]) & (inside["place_silent"] < inside["place"])]
    for name, own in (("alone", inside[inside["alone"]]), ("by_hand", inside[~inside["alone"]])):
        minutes[name] = own.groupby("gap")["minutes"].sum().reindex(gaps.index).fillna(0.0)
    minutes["unclear"] = gaps.index.isin(inside.loc[inside["unclear"], "gap"])
    return minutes


def _machine_left(
    builds: pd.DataFrame, spans: pd.DataFrame, shop: Shop, silent: pd.DataFrame | None, clock: OpenClock
) -> pd.DataFrame:
    """When the builds before a build had left its machine, beside its first stage there: build_id, stage, left_at."""
    there = spans[spans["stage"].isin(ON_MACHINE)].sort_values("started", kind="stable")
    machine = builds.set_index("build_id")["machine"]
    taken_out = [name for name, machine in shop.machines.items() if machine.chambers > 1]
    leaves = there[(there["stage"] == "printing") | ~there["build_id"].map(machine).isin(taken_out)]
    visits = there.drop_duplicates("build_id")[["build_id", "stage"]]
    last = leaves.sort_values("ended").drop_duplicates("build_id", keep="last").set_index("build_id")
    left = last["ended"].reindex(visits["build_id"]).set_axis(visits.index)
    if silent is not None and len(silent):
        after = silent[silent["stage"].isin(ON_MACHINE)]
        after = after[after["place"] > after["build_id"].map(last["place"])]
        more = after.groupby("build_id")["minutes"].sum().reindex(visits["build_id"]).fillna(0.0).to_numpy()
        known = left.notna().to_numpy()
        left[known] = clock.after(left[known].to_numpy(float), more[known])
    own = visits["build_id"].map(machine)
    return visits.assign(left_at=left.groupby(own).cummax().groupby(own).shift())


def _people_free(runs: pd.DataFrame, shop: Shop) -> dict[str, float]:
    """For each run by hand the wall minute at which one of the shop's people was free of all that began before."""
    people = people_of(shop)
    by_hand = runs[runs["stage"].map(is_by_hand).astype(bool)].sort_values("started_at", kind="stable")
    if not people or by_hand.empty:
        return {}
    return dict(zip(by_hand["run_key"], came_free(minutes_of(by_hand["ended_at"]), people), strict=True))


def is_by_hand(stages: str) -> bool:
    return any(hands_of(stage) in ("all", "part") for stage in stages.split("+"))


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def minutes_of(stamps: pd.Series) -> np.ndarray:
    """Stamps as minutes since 1970 in UTC."""
    return ((stamps - pd.Timestamp(0, tz="UTC")).dt.total_seconds() / 60).to_numpy()
