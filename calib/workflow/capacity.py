"""How full the shop is: load of every machine, station and crew for the last weeks' builds or a plan's."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib.errors import LogFileError, TooFewRunsError, UsageError
from calib.logs.read_plan import read_plan
from calib.quoting.capacity import weekly_load
from calib.quoting.steps import touch_share
from calib.shop.model import Shop
from calib.shop.patch import patched
from calib.shop.patch_facts import stated_by_patch
from calib.shop.read_shop import read_shop
from calib.store.builds import find_builds
from calib.store.open_store import open_store
from calib.store.runs import find_runs
from calib.workflow.fitted import Fitted, find_fitted, has_store
from calib.workflow.floors import floor_warnings
from calib.workflow.parts import with_parts
from calib.workflow.predict import stage_rows
from calib.workflow.spelling import as_spelled

Progress = Callable[[str], None]
WEEKS = 4.0


@dataclass(frozen=True, eq=False)
class Demand:
    """Builds of so many weeks, and where they come from."""

    builds: pd.DataFrame
    weeks: float
    said: str


def find_capacity(
    folder: Path,
    plan: Path | None = None,
    weeks: float | None = None,
    patch: Path | None = None,
    progress: Progress = lambda text: None,
) -> dict[str, Any]:
    """Load of every resource, the tightest first; with ``patch`` also in the shop with a patch laid over it.

    plan : a ``builds`` file whose builds are to be made in ``weeks`` (1 unless said); else what ran in the last weeks (4)
    """
    shop, fitted = read_shop(folder), find_fitted(folder)
    if weeks is not None and not 0 < weeks <= 520:
        raise UsageError(f"--weeks {weeks:g} is out of range.", "Give more than 0 and at most 520.")
    demand = _planned(folder, plan, shop, weeks or 1.0) if plan else logged_demand(folder, shop, weeks or WEEKS)
    progress(f"Adding up {len(demand.builds)} builds ...")
    today = resource_loads(demand, shop, fitted)
    changed = patched(folder, patch) if patch else None
    progress("")
    return {
        "demand": demand.said,
        "builds": len(demand.builds),
        "weeks": demand.weeks,
        "resources": today,
        "changed": resource_loads(demand, changed, fitted) if changed else None,
        "bottleneck": today[0]["resource"] if today else None,
        "warnings": [
            *(stated_by_patch(shop, changed) if changed else []),
            *fitted.warnings,
            *_unknown_machines(demand.builds, shop),
            *floor_warnings(stage_rows(demand.builds, changed or shop, fitted), changed or shop),
        ],
    }


def _planned(folder: Path, plan: Path, shop: Shop, weeks: float) -> Demand:
    builds, set_aside = read_plan(plan, shop.timezone)
    if builds.empty:
        raise LogFileError(f"{plan} holds no build that could be read.", "; ".join(set_aside[:3]))
    return Demand(with_parts(folder, as_spelled(builds, shop), shop), weeks, f"the builds of {plan.name}")


def logged_demand(folder: Path, shop: Shop, weeks: float) -> Demand:
    """Builds whose printing began in the last weeks before the last log."""
    if not has_store(folder):
        raise TooFewRunsError("Nothing is logged yet, so there is no demand to add up.", "Name a plan: --plan FILE.")
    with open_store(folder, read_only=True) as store:
        builds, runs = find_builds(store), find_runs(store)
    printed = runs[(runs["stage"] == "printing") & runs["started_at"].notna()]
    if printed.empty:
        raise TooFewRunsError("No printing is logged yet, so there is no demand.", "Name a plan: --plan FILE.")
    until = printed["started_at"].max()
    recent = set(printed.loc[printed["started_at"] > until - timedelta(weeks=weeks), "build_ids"].explode())
    said = f"what ran in the {weeks:g} weeks up to {until:%Y-%m-%d}"
    ran = as_spelled(builds[builds["build_id"].isin(recent)].reset_index(drop=True), shop)
    return Demand(with_parts(folder, ran, shop), weeks, said)


def resource_loads(demand: Demand, shop: Shop, fitted: Fitted) -> list[dict[str, Any]]:
    return weekly_load(_minutes(demand.builds, shop, fitted), shop, demand.weeks)


def _minutes(builds: pd.DataFrame, shop: Shop, fitted: Fitted) -> pd.DataFrame:
    """Mean minutes of each stage of each build as learned, and of hands on it."""
    rows = stage_rows(builds, shop, fitted)
    grid = tuple(np.linspace(0.05, 0.95, 19))
    minutes = fitted.model.predict(rows, quantiles=grid)[list(grid)].mean(axis=1).to_numpy()
    rows = rows.assign(minutes=np.maximum(minutes, rows["floor_min"].fillna(0.0).to_numpy()))
    return rows.assign(touch_min=rows["minutes"] * touch_share(rows["touch_min"], rows["baseline_min"]))


def _unknown_machines(builds: pd.DataFrame, shop: Shop) -> list[str]:
    strange = sorted(set(builds["machine"].dropna()) - set(shop.machines))
    return [f"Not counted, for the shop file does not name them: {', '.join(strange)}."] if strange else []
