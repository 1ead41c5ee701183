"""Which stage drifts from plan; and accepting that it does."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from calib.drift.check import check_drift
from calib.errors import TooFewRunsError, UsageError
from calib.records import PROCESS_WORDS
from calib.shop.read_shop import read_shop
from calib.store.changes import accept_change, find_accepted
from calib.store.events import find_events
from calib.store.fits import find_fit
from calib.store.open_store import open_store
from calib.workflow.fit import end_of_day

WEEKS = 26


def find_drift(folder: Path, since: str | None = None, persons: bool = False) -> dict[str, Any]:
    """The contract's ``drift`` document, from the errors that the last fit made at the time."""
    shop = read_shop(folder)
    with open_store(folder, read_only=True) as store:
        found, accepted, events = find_fit(store), find_accepted(store), find_events(store)
    if found is None:
        raise TooFewRunsError("Nothing was learned yet, so nothing can have moved.", "Run: calib fit, then again.")
    tables, meta = found
    errors = tables["errors"]
    as_of: pd.Timestamp = errors["ended_at"].max()
    document = check_drift(
        errors,
        as_of=as_of,
        since=end_of_day(since, shop.timezone) - timedelta(days=1) if since else as_of - timedelta(weeks=WEEKS),
        false_alarms_per_year=float(shop.drift.get("false_alarms_per_year", 2.0)),
        accepted=accepted,
        events=events,
        persons=persons,
        timezone=shop.timezone,
    )
    document["warnings"] = ["The logs have changed since the last fit. Run: calib fit"] if meta["logs_since"] else []
    return document


def accept_drift(folder: Path, stage: str, note: str) -> dict[str, Any]:
    """Take a stage's change as the new plan; kept in the history with its note."""
    word, colon, name = stage.partition(":")
    process = PROCESS_WORDS.get(word.strip().lower())
    if not colon or process is None:
        raise UsageError(f'--accept "{stage}" does not name a stage.', "Write PROCESS:STAGE, e.g. VPP:post_curing.")
    moved = {(row["process"], row["stage"]): row for row in find_drift(folder)["stages"] if row["state"] == "drifting"}
    if (process, name) not in moved:
        drifting = ", ".join(":".join(key) for key in moved) or "none"
        raise UsageError(f"{process}:{name} does not drift, so there is nothing to accept.", f"Drifting: {drifting}.")
    row = moved[process, name]
    with open_store(folder) as store:
        accept_change(store, process=process, stage=name, since=row["since"], note=note)
    return {"process": process, "stage": name, "since": row["since"], "change_pct": row["change_pct"], "note": note}
