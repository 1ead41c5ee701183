"""Builds that stand before a new order: running ones, planned ones and those of accepted quotes, with the stages still to do."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib.calendar.clock import to_minutes
from calib.documents.promises import Order
from calib.documents.quote import PlannedBuilds
from calib.quoting.flow import QueuedBuild
from calib.quoting.schedule import ON_MACHINE
from calib.shop.model import Shop
from calib.store.open_store import open_store
from calib.store.quotes import find_orders, option_of, start_of
from calib.store.runs import find_builds, find_runs
from calib.workflow.fitted import Fitted, has_store, learned_of
from calib.workflow.how_far import HowFar, Standing, find_standings, how_far
from calib.workflow.kept import once
from calib.workflow.parts import planned_items, with_parts
from calib.workflow.predict import scheduled_rows
from calib.workflow.spelling import as_spelled


def awaited_builds(orders: list[Order]) -> pd.DataFrame:
    """Planned builds of accepted quotes that no logged build fulfils yet, in the order in which they were accepted.

    orders : the open ones, of ``find_orders``
    Returns the columns of ``builds`` (docs/interface.md), with status 'planned'; ids are the quote's, numbered.
    """
    accepted = sorted(orders, key=lambda order: order["accepted_at"] or order["quoted_at"])
    return pd.DataFrame([row for order in accepted for row in _rows(order)])


def open_build_ids(orders: list[Order]) -> dict[str, str]:
    """Logged builds that open accepted quotes still wait for: build -> quote."""
    return {
        build["build_id"]: order["quote_id"]
        for order in orders
        for build in order["builds"]
        if build["packed_at"] is None
    }


def _rows(order: Order) -> list[dict[str, Any]]:
    """Builds that hold the parts that no logged build holds; the first ones are taken as begun."""
    begun = float(sum(build["parts"] or 0 for build in order["builds"]))
    rows: list[dict[str, Any]] = []
    number = 0
    for plan in option_of(order).get("plan") or ():
        for _ in range(plan["builds"]):
            number += 1
            left = min(plan["parts"], plan["parts"] - begun)
            begun -= min(begun, plan["parts"])
            if left > 0:
                rows.append(_row(order, plan, number, left / plan["parts"]))
    return rows


def _row(order: Order, plan: PlannedBuilds, number: int, share: float) -> dict[str, Any]:
    """A build of the plan, or that share of it which is still missing."""
    return {
        **{name: value for name, value in plan.items() if name != "builds"},
        "parts": plan["parts"] * share,
        "part_volume_cm3": plan["part_volume_cm3"] * share,
        "part_area_cm2": plan["part_area_cm2"] * share,
        "support_volume_cm3": plan["support_volume_cm3"] * share,
        "support_contact_cm2": plan["support_contact_cm2"] * share,
        "build_id": f"{order['quote_id']}-{number}",
        "order_id": order["order_id"] or order["quote_id"],
        "quote_id": order["quote_id"],
        "status": "planned",
    }


UNTOUCHED = timedelta(weeks=4)  # nothing is under way of which nobody wrote for so long; common practice, no source


def find_queue(folder: Path, shop: Shop, fitted: Fitted, start: pd.Timestamp) -> list[QueuedBuild]:
    """Builds that run or are planned, and those that accepted quotes still wait for, in the order of work.

    start : of an order that is asked about; how far builds are is known up to now alone, and they go on from there
    What runs goes first, then what is hurried, then planned builds in the order of their logs and accepted quotes
    in the order in which they were accepted. Work that may begin only after ``start`` does not stand before the order.
    """
    queue, _ = find_queue_and_orders(folder, shop, fitted, min(start, pd.Timestamp.now(tz="UTC").floor("s")))
    return [build for build in queue if build.not_before <= to_minutes(start)]


def find_queue_and_orders(
    folder: Path, shop: Shop, fitted: Fitted, now: pd.Timestamp
) -> tuple[list[QueuedBuild], list[Order]]:
    """The queue, and the open accepted quotes behind it (see ``find_orders``), from one look into the store."""
    if not has_store(folder):
        return [], []
    logged = once(folder, ("logged", shop.version), lambda: _read(folder, shop))
    builds = logged.builds[_is_waited_for(logged, now)]
    key = ("waiting", shop.version, fitted.model, tuple(builds["build_id"]))
    waiting = once(
        folder, key, lambda: _waiting(folder, shop, fitted, logged, builds), lambda made: (made and made.parts) or ()
    )
    if waiting is None:
        return [], logged.orders
    hurried = {order["quote_id"] for order in logged.orders if order["hurried"]}
    return waiting.in_line(shop, to_minutes(now), hurried), logged.orders


@dataclass(frozen=True, eq=False)
class _Logged:
    """builds, runs : tables; orders : the open ones, of ``find_orders``

    served : runs, with the build that each served in ``build_id``
    """

    builds: pd.DataFrame
    runs: pd.DataFrame
    orders: list[Order]
    served: pd.DataFrame


@dataclass(frozen=True, eq=False)
class _Waiting:
    """builds : those that may not be done; far : what is logged of each"""

    builds: pd.DataFrame
    far: HowFar

    @property
    def parts(self) -> set[str]:
        """Names of the parts in them."""
        named = self.builds["part_file"].dropna() if "part_file" in self.builds else ()
        return {*map(str, named), *(name for held in planned_items(self.builds).values() for name, _ in held)}

    def in_line(self, shop: Shop, now: float, hurried: set[str]) -> list[QueuedBuild]:
        """Those that are not done, in the order of work; now : wall minutes."""
        standings = find_standings(self.far, shop, now)
        waiting = self.builds[self.builds["build_id"].isin(standings)].reset_index(drop=True)
        waiting = in_order_of_work(waiting, standings, hurried, now)
        return [_queued(build, standings[build["build_id"]], now) for build in waiting.to_dict("records")]


def _read(folder: Path, shop: Shop) -> _Logged:
    with open_store(folder, read_only=True) as store:
        builds, runs, orders = find_builds(store), find_runs(store), find_orders(store, open_only=True)
    served = runs.assign(build_id=runs["build_ids"]).explode("build_id")
    return _Logged(as_spelled(builds, shop), runs, orders, served)


def _is_waited_for(logged: _Logged, now: pd.Timestamp) -> pd.Series:
    """Which builds are planned or under way, or awaited by accepted quotes."""
    builds, served = logged.builds, logged.served
    begun = builds["status"].isin(["running", "printed"]) & under_way(builds, served, now)
    awaited = builds["build_id"].isin(open_build_ids(logged.orders)) & ~builds["build_id"].isin(served["build_id"])
    return begun | (builds["status"] == "planned") | awaited


def _waiting(folder: Path, shop: Shop, fitted: Fitted, logged: _Logged, builds: pd.DataFrame) -> _Waiting | None:
    """What is waited for whatever the time of day is; None where that is nothing."""
    fulfils = open_build_ids(logged.orders)
    waiting = pd.concat([builds, awaited_builds(logged.orders)], ignore_index=True)
    if waiting.empty:
        return None
    waiting["quote_id"] = [
        fulfils.get(build, quote) for build, quote in zip(waiting["build_id"], waiting["quote_id"], strict=True)
    ]
    starts = {order["quote_id"]: to_minutes(start_of(order)) for order in logged.orders}
    waiting["not_before"] = not_before(waiting, starts)
    return _laid_out(with_parts(folder, waiting, shop), logged.runs, shop, fitted)


def stand_in_line(
    waiting: pd.DataFrame, runs: pd.DataFrame, shop: Shop, fitted: Fitted, now: float, hurried: set[str]
) -> list[QueuedBuild]:
    """Builds that are not done by what is logged, each with the stages that it still has before it, in the order of work.

    waiting : columns of ``builds``, status, quote_id and not_before; now : wall minutes
    """
    return _laid_out(waiting, runs, shop, fitted).in_line(shop, now, hurried)


def _laid_out(waiting: pd.DataFrame, runs: pd.DataFrame, shop: Shop, fitted: Fitted) -> _Waiting:
    orders, quotes = (waiting[name].map(_text) for name in ("order_id", "quote_id"))
    waiting = waiting.assign(
        together=orders.where(orders != "", quotes).where(~orders.str.contains("+", regex=False), "")
    )
    return _Waiting(waiting, how_far(waiting, runs, scheduled_rows(waiting, shop, fitted), learned_of(fitted, shop)))


def not_before(waiting: pd.DataFrame, starts: dict[str, float]) -> np.ndarray:
    """Wall time before which each build may not begin, by its quote's start; none for one that has begun [min].

    Shape (waiting,).
    """
    agreed = waiting["quote_id"].map(starts).fillna(-np.inf).to_numpy(float)
    return np.where(waiting["status"] == "planned", agreed, -np.inf)


def under_way(builds: pd.DataFrame, served: pd.DataFrame, now: pd.Timestamp) -> pd.Series:
    """Whether each build was worked at in the last weeks, or waits for its machine behind builds that were begun before it.

    builds : build_id, machine; served : runs, with the build that each served in ``build_id``
    Returns truth values of shape (builds,).
    """
    moments = served.assign(at=served["ended_at"].fillna(served["started_at"]))
    moments["first"] = moments["started_at"].fillna(moments["at"]).groupby(moments["build_id"]).transform("min")
    moments["machine"] = moments["build_id"].map(builds.set_index("build_id")["machine"])
    on_machine = {stage for stage in moments["stage"].unique() if not set(ON_MACHINE).isdisjoint(stage.split("+"))}
    moments["on_machine"] = moments["stage"].isin(on_machine)
    recent = moments[moments["at"] > now - UNTOUCHED]
    oldest = recent[recent["on_machine"]].groupby("machine")["first"].min()
    waiting = moments[moments["first"].array >= oldest.reindex(moments["machine"]).array]
    at_machine = moments.loc[moments["on_machine"], "build_id"]
    in_line = builds["build_id"].isin(waiting["build_id"]) & ~builds["build_id"].isin(at_machine)
    return builds["build_id"].isin(recent["build_id"]) | in_line


def in_order_of_work(
    waiting: pd.DataFrame, standings: dict[str, Standing], hurried: set[str], now: float
) -> pd.DataFrame:
    """What has begun, the furthest first; then what may begin now, then what may begin later, the hurried ones first.

    now : wall min
    """
    begun, rushed = (waiting["status"] != "planned").to_numpy(), waiting["quote_id"].isin(hurried)
    later = np.maximum(waiting["not_before"], now)
    far = np.array([standings[build].place for build in waiting["build_id"]]) * begun
    return waiting.iloc[np.lexsort((~rushed, later, -far, ~begun))].reset_index(drop=True)


def _queued(build: dict[Any, Any], standing: Standing, now: float) -> QueuedBuild:
    return QueuedBuild(
        build_id=build["build_id"],
        process=build["process"],
        machine=_text(build.get("machine")),
        material=_text(build.get("material")),
        rows=standing.rows.reset_index(drop=True),
        elapsed_min=standing.elapsed_min,
        order_id=_text(build.get("order_id")),
        quote_id=_text(build.get("quote_id")),
        not_before=build["not_before"],
        as_of=now,
        together=build["together"],
        height_mm=float(height) if isinstance(height := build.get("height_mm"), int | float) else np.nan,
    )


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""
