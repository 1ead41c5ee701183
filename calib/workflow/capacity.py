"""How full the shop is: what every machine, station and crew is held for by the last weeks' builds or a plan's."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from calib.documents.shop import CapacityDocument, Load
from calib.errors import UsageError
from calib.progress import Progress, no_progress
from calib.quoting.flow import Flow
from calib.quoting.occupancy import occupied
from calib.shop.model import Shop
from calib.shop.patch import patched
from calib.shop.patch_facts import stated_by_patch
from calib.shop.read_shop import read_shop
from calib.workflow.demand import WEEKS, Demand, flow_of, logged_demand, planned_demand
from calib.workflow.fitted import Fitted, find_fitted
from calib.workflow.floors import floor_warnings
from calib.workflow.predict import stage_rows


def find_capacity(
    folder: Path,
    plan: Path | None = None,
    weeks: float | None = None,
    patch: Path | None = None,
    progress: Progress = no_progress,
) -> CapacityDocument:
    """Load of every resource as the builds run through the calendar, the bottleneck first; with ``patch`` also in the
    shop with a patch laid over it.

    plan : a ``builds`` file whose builds are to be made in ``weeks`` (1 if not given); else what ran in the last weeks (4)
    Raises UsageError for weeks out of range, TooFewRunsError where nothing is logged and no plan is named.
    """
    shop, fitted = read_shop(folder), find_fitted(folder)
    if weeks is not None and not 0 < weeks <= 520:
        raise UsageError(f"--weeks {weeks:g} is out of range.", "Give more than 0 and at most 520.")
    demand = planned_demand(folder, plan, shop, weeks or 1.0) if plan else logged_demand(folder, shop, weeks or WEEKS)
    builds = demand.of_the_weeks
    progress(f"Running {len(builds)} builds through the calendar ...")
    flow = flow_of(demand, shop, shop, fitted)
    today = resource_loads(flow, demand, fitted)
    changed = patched(folder, patch) if patch else None
    after = flow_of(demand, shop, changed, fitted) if changed else None
    progress("")
    return {
        "demand": demand.source,
        "builds": len(builds),
        "weeks": demand.weeks,
        "resources": today,
        "lead_time_h": mean_lead_h(flow),
        "changed": resource_loads(after, demand, fitted) if after else None,
        "changed_lead_time_h": mean_lead_h(after) if after else None,
        "bottleneck": today[0]["resource"] if today else None,
        "warnings": [
            *(stated_by_patch(shop, changed) if changed else []),
            *fitted.warnings,
            *_unknown_machines(builds, shop),
            *floor_warnings(stage_rows(builds, changed or shop, fitted), changed or shop),
        ],
    }


def mean_lead_h(flow: Flow) -> float:
    """Mean time of a build from its release to its last stage [h]."""
    return round(float(flow.turnaround_min.mean()) / 60, 2)


def resource_loads(flow: Flow, demand: Demand, fitted: Fitted) -> list[Load]:
    return occupied(flow, demand.weeks, fitted.staff)


def _unknown_machines(builds: pd.DataFrame, shop: Shop) -> list[str]:
    strange = sorted(set(builds["machine"].dropna()) - set(shop.machines))
    return [f"Not counted, for the shop file does not name them: {', '.join(strange)}."] if strange else []
