"""Which stages a build has: learned from the logs, by process, material and finish; else the shop's table."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from calib.baseline.route import default_route
from calib.safety import missing_stages
from calib.shop.limits import is_limited
from calib.shop.model import Shop
from calib.workflow.training_rows import builds_served

FEWEST_BUILDS = 5
USUAL = 0.5


def logged_routes(builds: pd.DataFrame, runs: pd.DataFrame, horizon: pd.Timestamp) -> pd.DataFrame:
    """Share of builds that have a stage, for each process, material and finish, and for the process as a whole.

    Returns process, material ('' for all), finish ('' for all), stage, builds, share.
    """
    done = runs[runs["outcome"].fillna("done").eq("done") & (runs["ended_at"] <= horizon)]
    seen = (
        done[["stage"]].assign(build_id=pd.Series(builds_served(builds, done), done.index, object)).explode("build_id")
    )
    seen["stage"] = seen["stage"].str.split("+")
    seen = seen.explode("stage").drop_duplicates()
    printed = seen.loc[seen["stage"] == "printing", "build_id"]
    finished = builds[builds["build_id"].isin(printed)].reindex(columns=["build_id", "process", "material", "finish"])
    finished = finished.fillna({"material": "", "finish": ""})
    whole = finished.assign(material="", finish="")
    groups = pd.concat([finished, whole]).drop_duplicates()
    keys = ["process", "material", "finish"]
    counts = groups.groupby(keys).size().rename("builds")
    by_stage = groups.merge(seen, on="build_id").groupby([*keys, "stage"]).size().rename("with_stage").reset_index()
    by_stage = by_stage.merge(counts.reset_index(), on=keys)
    return by_stage.assign(share=by_stage["with_stage"] / by_stage["builds"]).drop(columns="with_stage")


def route_of(
    process: str,
    material: str,
    finish: str,
    has_supports: bool,
    shop: Shop,
    logged: pd.DataFrame | None,
    not_done: Collection[tuple[str, str]] = (),
) -> tuple[str, ...]:
    """Stages of a build in order: usual ones by the logs, those that nobody logs by the table.

    Not logged is not 'not done': only a stage that the shop says is always logged is left out for want of logs, and
    never one that a data sheet limits or a hazard needs: a quote without it would go under a least time.

    not_done : (process, stage) of which a person said that nobody logs them because they are not done
    """
    table = default_route(process, finish, material, has_supports, shop)
    if logged is None or logged.empty:
        return table
    of_process = logged[(logged["process"] == process) & (logged["material"] == "") & (logged["finish"] == "")]
    own = logged[(logged["process"] == process) & (logged["material"] == material) & (logged["finish"] == finish)]
    if own.empty or own["builds"].iloc[0] < FEWEST_BUILDS:
        own = of_process if len(of_process) and of_process["builds"].iloc[0] >= FEWEST_BUILDS else own.iloc[:0]
        optional_kept = set(table)
    else:
        optional_kept = set(own.loc[own["share"] >= USUAL, "stage"])
    usual = set(own.loc[own["share"] >= USUAL, "stage"]) & optional_kept
    ever_logged = set(of_process["stage"])
    unlogged = {stage for stage in table if stage not in ever_logged and stage not in shop.always_logged}
    unlogged -= {stage for stage in unlogged if (process, stage) in not_done}
    if own.empty:
        return table
    kept = usual | unlogged | {stage for stage in table if is_limited(shop, process, material, stage)}
    kept |= set(missing_stages(process, kept))
    return tuple(stage for stage in shop.routes.get(process, ()) if stage in kept)
