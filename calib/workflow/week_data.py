"""What the week's page shows, gathered from the store and the last fit; the page itself computes nothing."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from calib.calibration.replay import replay, score
from calib.quoting.capacity import weekly_load
from calib.shop.model import Shop
from calib.store.health import find_health
from calib.store.open_store import open_store
from calib.store.promises import find_kept_promises
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
        "health": health | {"below_floor": below_floor(learned, logged.last_end - timedelta(weeks=1))},
        "notes": drift["warnings"],
    }


def below_floor(learned: LearningRows, since: pd.Timestamp) -> list[dict[str, Any]]:
    """Runs since then that undercut a least time of a data sheet: build_id, stage, actual_min, floor_min."""
    runs = learned.below_floor
    recent = runs[runs["ended_at"] > since] if len(runs) else runs
    names = ["build_id", "stage", "actual_min", "floor_min"]
    return [dict(zip(names, row, strict=True)) for row in recent.reindex(columns=names).itertuples(index=False)]


def time_goes(logged: Logged, learned: LearningRows) -> dict[str, Any]:
    """Minutes of hands, of machines and of waiting in open hours for each process, and what was busiest."""
    assert logged.last_end is not None
    since = logged.last_end - timedelta(weeks=RECENT_WEEKS)
    recent = learned.rows[(learned.rows["ended_at"] > since) & ~learned.rows["censored"]]
    touched = recent["actual_min"].where(recent["attended"], recent[["actual_min", "touch_min"]].min(axis=1))
    demand = recent.assign(minutes=recent["actual_min"], touch_min=touched.fillna(0.0))
    waits = wait_rows(logged.builds, logged.runs, logged.shop, logged.last_end, since)
    waiting = waits.groupby("process")["wait_min"].sum()
    rows = [
        {
            "process": process,
            "touch_min": float(part["touch_min"].sum()),
            "machine_min": float((part["minutes"] - part["touch_min"]).sum()),
            "wait_min": float(waiting.get(process, 0.0)),
            "builds": int(part["build_id"].nunique()),
        }
        for process, part in demand.groupby("process", sort=False)
    ]
    busiest = weekly_load(demand, logged.shop, RECENT_WEEKS)[:1] if len(demand) else []
    return {"rows": rows, "bottleneck": busiest[0] if busiest else None, "since": str(since.date())}
