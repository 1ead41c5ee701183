"""Builds that stand before a new order: running ones and planned ones, with the stages still to do."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib.quoting.clock import to_minutes
from calib.quoting.queue import QueuedBuild
from calib.shop.model import Shop
from calib.store.builds import find_builds
from calib.store.open_store import open_store
from calib.store.promises import find_orders
from calib.store.quotes import start_of
from calib.store.runs import find_runs
from calib.workflow.accepted import awaited_builds, open_build_ids
from calib.workflow.fitted import Fitted, has_store
from calib.workflow.parts import with_parts
from calib.workflow.predict import stage_rows
from calib.workflow.spelling import as_spelled


def find_queue(folder: Path, shop: Shop, fitted: Fitted, now: pd.Timestamp) -> list[QueuedBuild]:
    """Builds that run or are planned, and those that accepted quotes still wait for, in the order of work.

    What runs goes first, then what is hurried, then planned builds in the order of their logs and accepted quotes
    in the order in which they were accepted. Work that may begin only after ``now`` does not stand before an order of
    ``now``.
    """
    queue, _ = find_queue_and_orders(folder, shop, fitted, now)
    return [build for build in queue if build.not_before <= to_minutes(now)]


def find_queue_and_orders(
    folder: Path, shop: Shop, fitted: Fitted, now: pd.Timestamp
) -> tuple[list[QueuedBuild], list[dict[str, Any]]]:
    """The queue, and the open accepted quotes behind it (see ``find_orders``), from one look into the store."""
    if not has_store(folder):
        return [], []
    with open_store(folder, read_only=True) as store:
        builds, runs, orders = find_builds(store), find_runs(store), find_orders(store, open_only=True)
    builds, fulfils = as_spelled(builds, shop), open_build_ids(orders)
    logged = builds[builds["status"].isin(["planned", "running"]) | builds["build_id"].isin(fulfils)]
    waiting = pd.concat([logged, awaited_builds(orders)], ignore_index=True)
    if waiting.empty:
        return [], orders
    waiting["quote_id"] = [
        fulfils.get(build, quote) for build, quote in zip(waiting["build_id"], waiting["quote_id"], strict=True)
    ]
    starts = {one["quote_id"]: to_minutes(start_of(one)) for one in orders}
    waiting["not_before"] = not_before(waiting, starts)
    waiting = in_order_of_work(waiting, {one["quote_id"] for one in orders if one["hurried"]}, to_minutes(now))
    rows = stage_rows(with_parts(folder, waiting, shop), shop, fitted)
    started = runs.explode("build_ids")
    done = started[started["ended_at"].notna()].groupby("build_ids")["stage"].agg(set).to_dict()
    running = started[started["ended_at"].isna()].groupby("build_ids")["started_at"].max().to_dict()
    queue = [
        _queued(build, rows[rows["build_id"] == build["build_id"]], done, running, now)
        for build in waiting.to_dict("records")
    ]
    return queue, orders


def not_before(waiting: pd.DataFrame, starts: dict[str, float]) -> np.ndarray:
    """Wall time before which each build may not begin, by its quote's start; none for one that has begun [min]."""
    agreed = waiting["quote_id"].map(starts).fillna(-np.inf).to_numpy(float)
    return np.where(waiting["status"] == "planned", agreed, -np.inf)


def in_order_of_work(waiting: pd.DataFrame, hurried: set[str], now: float) -> pd.DataFrame:
    """What runs, then what may begin now, then what may begin later; of each what is hurried first. now : wall min"""
    begun, rushed = waiting["status"] != "planned", waiting["quote_id"].isin(hurried)
    later = np.maximum(waiting["not_before"], now)
    return waiting.iloc[np.lexsort((~rushed, later, ~begun))].reset_index(drop=True)


def _queued(build: dict, rows: pd.DataFrame, done: dict, running: dict, now: pd.Timestamp) -> QueuedBuild:
    name = build["build_id"]
    since = running.get(name)
    return QueuedBuild(
        build_id=name,
        process=build["process"],
        machine=_text(build.get("machine")),
        material=_text(build.get("material")),
        rows=rows[~rows["stage"].isin(done.get(name, set()))].reset_index(drop=True),
        elapsed_min=max((now - since).total_seconds() / 60, 0.0) if since is not None and pd.notna(since) else 0.0,
        order_id=_text(build.get("order_id")),
        quote_id=_text(build.get("quote_id")),
        not_before=build["not_before"],
    )


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""
