"""The week's page as it would be written now, without writing it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from calib.shop.read_shop import read_shop
from calib.store.open_store import STORE_NAME
from calib.workflow.drift import find_drift
from calib.workflow.promises import find_promises
from calib.workflow.week_data import week_data


def find_week(folder: Path) -> dict[str, Any]:
    """The keys that ``report.week.week_page`` takes. Raises TooFewRunsError where nothing was learned yet."""
    drift = find_drift(folder)
    return week_data(folder, read_shop(folder), drift) | {"open_promises": find_promises(folder)}


def state_of_store(folder: Path) -> tuple[int, int]:
    """Changes whenever anything was stored."""
    found = (folder / STORE_NAME).stat()
    return found.st_mtime_ns, found.st_size
