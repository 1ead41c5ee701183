"""Load of every machine, station and crew under a steady demand, and where it gets tight."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from calib.quoting.queueing import several_servers
from calib.quoting.schedule import ON_MACHINE
from calib.shop.model import Shop

WEEK_H = 7 * 24.0


def weekly_load(demand: pd.DataFrame, shop: Shop, weeks: float) -> list[dict[str, Any]]:
    """Resources by their load, the tightest first.

    demand : a row for each stage of each build of these weeks: build_id, process, machine, stage, minutes, touch_min
    weeks : > 0

    Returns for each resource: resource, kind, servers, hours_there and hours_used a week, load, wait_h (mean wait by
    the M/M/c formula: null at a load of 1 or more), wait_h_one_more (with one machine, place or person more).
    Machines and stations count all hours of the week, people the opening hours.
    """
    open_h = open_hours(shop)
    rows = [
        *(_row(machine, "machine", 1, _on_machine(demand, machine), WEEK_H, weeks) for machine in shop.machines),
        *(
            _row(station.id, "station", station.places, _by_build(demand, station.stages), WEEK_H, weeks)
            for station in shop.stations.values()
        ),
        *(_row(crew.id, "crew", crew.size, _hands(demand, crew.stages), open_h, weeks) for crew in shop.crews.values()),
    ]
    return sorted(rows, key=lambda row: -row["load"])


def _row(name: str, kind: str, servers: int, minutes: np.ndarray, hours: float, weeks: float) -> dict[str, Any]:
    used, runs = float(minutes.sum()) / 60 / weeks, len(minutes) / weeks
    load = used / (servers * hours) if hours > 0 else float("inf")
    return {
        "resource": name,
        "kind": kind,
        "servers": servers,
        "hours_there": servers * hours,
        "hours_used": round(used, 3),
        "load": round(load, 4),
        "wait_h": wait_h(used, runs, servers, hours),
        "wait_h_one_more": wait_h(used, runs, servers + 1, hours),
    }


def wait_h(used_h: float, runs: float, servers: int, hours: float) -> float | None:
    """Mean wait for one of several servers by the M/M/c formula; None where work piles up. used_h, runs : a week"""
    if runs == 0 or used_h == 0:
        return 0.0
    if used_h >= servers * hours:
        return None
    return round(several_servers(runs / hours, runs / used_h, servers).wait, 3)


def _on_machine(demand: pd.DataFrame, machine: str) -> np.ndarray:
    own = demand[(demand["machine"] == machine) & demand["stage"].isin(ON_MACHINE)]
    return own.groupby("build_id")["minutes"].sum().to_numpy()


def _by_build(demand: pd.DataFrame, stages: tuple[str, ...]) -> np.ndarray:
    return demand[demand["stage"].isin(stages)].groupby(["build_id", "stage"])["minutes"].sum().to_numpy()


def _hands(demand: pd.DataFrame, stages: tuple[str, ...]) -> np.ndarray:
    """Hands' minutes of each run; a stage that several crews can do is counted for each of them."""
    own = demand[demand["stage"].isin(stages)] if stages else demand
    return own.loc[own["touch_min"] > 0, "touch_min"].to_numpy()


def open_hours(shop: Shop) -> float:
    if shop.hours is None:
        return WEEK_H
    return sum(end - begin for spans in shop.hours for begin, end in spans) / 60
