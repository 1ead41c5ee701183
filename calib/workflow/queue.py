"""Builds that stand before a new order: running ones and planned ones, already predicted."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from calib.shop.model import Shop
from calib.store.builds import find_builds
from calib.store.open_store import open_store
from calib.workflow.fitted import Fitted, has_store
from calib.workflow.predict import stage_rows


def find_queue(folder: Path, shop: Shop, fitted: Fitted) -> pd.DataFrame | None:
    """Stage rows of builds that are planned or running, with their builds' columns; None where there are none."""
    if not has_store(folder):
        return None
    with open_store(folder, read_only=True) as store:
        builds = find_builds(store)
    waiting = builds[builds["status"].isin(["planned", "running"])].reset_index(drop=True)
    return stage_rows(waiting, shop, fitted, {}) if len(waiting) else None
