"""What the week's page shows, gathered from the store and the last fit; the page itself computes nothing."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from calib.calibration.replay import replay, score
from calib.shop.model import Shop
from calib.store.health import find_health
from calib.store.open_store import open_store
from calib.store.quotes import find_kept_promises
from calib.workflow.fit import Logged, read_logged
from calib.workflow.learning import LearningRows, learning_rows
from calib.workflow.side_models import wait_rows

RECENT_WEEKS = 4
HONESTY_WEEKS = 13


def week_data(folder: Path, shop: Shop, drift: dict[str, Any]) -> dict[str, Any]:
    """The keys that ``report.week.week_page`` takes."""
    logged = read_logged(folder)
    assert logged.last_end is not None, "drift was found, so something is logged"
    learned = learning_rows(logged.builds, logged.runs, logged.baselines, logged.last_end)
    with open_store(folder, read_only=True) as store:
        health, promises = find_health(store), find_kept_promises(store)
    return {
        "shop": shop.name,
        "as_of": drift["as_of"],
        "drift": drift,
        "backtest": score(replay(learned.rows, weeks=HONESTY_WEEKS)),
        "promises": promises,
        "time_goes": time_goes(logged, learned),
        "health": health | {"below_floor": len(learned.below_floor)},
        "notes": drift["warnings"],
    }


def time_goes(logged: Logged, learned: LearningRows) -> dict[str, Any]:
    """Minutes of hands, of machines and of waiting in open hours for each process, over the last weeks."""
    assert logged.last_end is not None
    since = logged.last_end - timedelta(weeks=RECENT_WEEKS)
    recent = learned.rows[(learned.rows["ended_at"] > since) & ~learned.rows["censored"]]
    touched = recent["actual_min"].where(recent["attended"], recent[["actual_min", "touch_min"]].min(axis=1))
    minutes = pd.DataFrame(
        {
            "process": recent["process"],
            "touch_min": touched,
            "machine_min": recent["actual_min"] - touched,
        }
    )
    waits = wait_rows(logged.builds, logged.runs, logged.shop, logged.last_end, since)
    waiting = waits.groupby("process")["wait_min"].sum()
    rows = [
        {
            "process": process,
            "touch_min": float(part["touch_min"].sum()),
            "machine_min": float(part["machine_min"].sum()),
            "wait_min": float(waiting.get(process, 0.0)),
            "builds": int(recent.loc[part.index, "build_id"].nunique()),
        }
        for process, part in minutes.groupby("process", sort=False)
    ]
    return {"rows": rows, "bottleneck": _busiest(recent, since, logged.last_end), "since": str(since.date())}


def _busiest(recent: pd.DataFrame, since: pd.Timestamp, until: pd.Timestamp) -> dict[str, Any] | None:
    """The machine that printed for the greatest share of the time."""
    printing = recent[recent["stage"].isin(["warm_up", "printing", "cool_down"]) & recent["machine"].notna()]
    if printing.empty:
        return None
    minutes = printing.groupby("machine")["actual_min"].sum()
    span = (until - since).total_seconds() / 60
    return {"name": str(minutes.idxmax()), "busy": float(min(minutes.max() / span, 1.0))}
