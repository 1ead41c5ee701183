"""Which stage drifts from plan; and accepting that it does."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from calib.calendar.written_time import end_of_day
from calib.calibration.calibrator import Calibrator
from calib.documents.drift import AcceptedChanges, ChangeAccepted, DriftDocument, StageDrift
from calib.drift.check import check_drift
from calib.drift.describe import LATEST
from calib.drift.memory import EARLY, Kept
from calib.drift.series import POOLED_BY
from calib.errors import TooFewRunsError, UsageError
from calib.records import process_code
from calib.shop.keys import FLOOR_OF_STAGE
from calib.shop.model import Shop
from calib.shop.read_shop import read_shop
from calib.store.drift_memory import accept_change, find_accepted, find_looks, save_look, undo_acceptance
from calib.store.fits import find_fit
from calib.store.open_store import open_store
from calib.store.people import without_names
from calib.store.runs import find_builds, find_events
from calib.workflow.spelling import as_spelled

WEEKS = 26
QUICKER_AT_A_HAZARD = (
    "Its time keeps people safe: see that the data sheet's least time is kept before quicker is the plan. To take it back: "
    "calib drift --undo."
)
NOON, EVENING = 12, 18


def find_drift(folder: Path, since: str | None = None, persons: bool = False) -> DriftDocument:
    """The ``drift`` document (docs/interface.md), from the errors that the last fit made at the time."""
    document, _ = look(folder, since, persons)
    return document


def look(folder: Path, since: str | None = None, persons: bool = False) -> tuple[DriftDocument, pd.Timestamp]:
    """The document, and the last logged end that it looks at.

    Raises TooFewRunsError where nothing was learned yet.
    """
    shop = read_shop(folder)
    with open_store(folder, read_only=True) as store:
        stored, accepted, events = find_fit(store), find_accepted(store), as_spelled(find_events(store), shop)
        builds = as_spelled(find_builds(store), shop)
        if stored is None:
            raise TooFewRunsError("Nothing was learned yet, so nothing can have moved.", "Run: calib fit, then again.")
        tables, meta = stored
        as_of: pd.Timestamp = tables["errors"]["ended_at"].max()
        limits, alarms, looked = find_looks(store, as_of.to_pydatetime())
    errors = with_places(with_present(tables), builds, shop)
    document = check_drift(
        errors,
        as_of=as_of,
        since=pd.Timestamp(end_of_day(since, shop.timezone)) - timedelta(days=1)
        if since
        else as_of - timedelta(weeks=WEEKS),
        false_alarms_per_year=float(shop.drift.get("false_alarms_per_year", 2.0)),
        accepted=[row | {"accepted_at": row["known_until"] or row["accepted_at"]} for row in accepted],
        events=events,
        persons=persons,
        timezone=shop.timezone,
        kept=Kept(limits, alarms, pd.Timestamp(looked) if looked else EARLY),
    )
    document["below_floor"] = [run for run in meta.get("below_floor", ()) if run.get("new")]
    document["warnings"] = ["Logs were imported after the last fit. Run: calib fit"] if meta["logs_since"] else []
    return document, as_of


def keep_look(folder: Path) -> DriftDocument:
    """Look, and keep what the next look goes on from; a second look at the same logs finds and leaves the same."""
    document, as_of = look(folder)
    with open_store(folder) as store:
        save_look(store, document["limits"], document["alarms"], as_of.to_pydatetime())
    return document


def with_present(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """The errors with ``now_min``: what quotes assume by now for the last builds of each stage, missing for others."""
    errors = tables["errors"]
    last = errors.sort_values("ended_at", kind="stable").groupby(["process", "stage"], observed=True).tail(LATEST)
    as_new = Calibrator.from_tables(tables).predict(last.drop(columns="build_id"), quantiles=(0.5,))
    return errors.assign(now_min=as_new[0.5])


def with_places(errors: pd.DataFrame, builds: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """The errors with what a change may come from beside who and where: part, layer_mm, day and shift."""
    local = errors["ended_at"].dt.tz_convert(shop.timezone)
    hour = local.dt.hour.to_numpy()
    of_build = builds.set_index("build_id")
    return errors.assign(
        part=errors["build_id"].map(of_build["part_file"]),
        layer_mm=errors["build_id"].map(of_build["layer_mm"]),
        day=np.where(local.dt.day_of_week >= 5, "weekend", "working days"),
        shift=np.select([hour < NOON, hour < EVENING], ["morning", "afternoon"], "evening and night"),
    )


def accept_drift(folder: Path, stage: str, note: str) -> ChangeAccepted:
    """Take a stage's change as the new plan; kept in the history with its note.

    Raises UsageError without a note, and for a stage that does not drift.
    """
    process, name = stage_named(stage, "--accept")
    if not note.strip():
        raise UsageError("An accepted change needs a note.", f'Add why, e.g. --accept {stage} --note "new lamp".')
    document, known_until = look(folder)
    by_stage = {(row["process"], row["stage"]): row for row in charts_of(document) if signalled(row)}
    if (process, name) not in by_stage:
        those = ", ".join(":".join(key) for key in by_stage) or "none"
        raise UsageError(f"{process}:{name} does not drift, so there is nothing to accept.", f"Drifting: {those}.")
    row = by_stage[process, name]
    since = row["since"] or (row["erratic"]["since"] if row["erratic"] else "")
    shop = read_shop(folder)
    with open_store(folder) as store:
        note = without_names(store, note, shop.people_names)
        accept_change(store, process, name, since, row["change_pct"], known_until.to_pydatetime(), note)
    warnings = [*_of_hazard(row), *([beyond_sheet] if (beyond_sheet := _below(document, process, name)) else [])]
    return {"process": process, "stage": name, "since": since, "change_pct": row["change_pct"], "note": note,
            "warnings": warnings}  # fmt: skip


def _of_hazard(row: StageDrift) -> list[str]:
    """A word where the new plan is quicker at a stage whose time keeps people safe."""
    quicker = (row["change_pct"] or 0) < 0 and row["stage"] in FLOOR_OF_STAGE
    return [QUICKER_AT_A_HAZARD] if quicker else []


def _below(document: DriftDocument, process: str, stage: str) -> str:
    runs = [run for run in document["below_floor"] if (run["process"], run["stage"]) == (process, stage)]
    return f"{len(runs)} of its runs were below a least time and do not count: look at once." if runs else ""


def charts_of(document: DriftDocument) -> list[StageDrift]:
    """Rows of all charts: stages, bench work together, and what is pooled by place."""
    return [*document["stages"], *document["together"], *document["pooled"]]


def signalled(row: StageDrift) -> bool:
    """Whether a stage asks for a person: its level moved, or its spread."""
    return bool(row["state"] == "drifting" or row["erratic"])


def undo_accepted(folder: Path, stage: str) -> ChangeAccepted:
    """Take back the last acceptance of a stage: the plan before it counts again.

    Raises UsageError where none is accepted.
    """
    process, name = stage_named(stage, "--undo")
    with open_store(folder) as store:
        undone = undo_acceptance(store, process, name)
    if undone is None:
        raise UsageError(f"No change of {process}:{name} is accepted.", "See what is: calib drift --accepted.")
    return {"process": process, "stage": name, "since": undone["since"], "note": undone["note"], "undone": True}


def list_accepted(folder: Path) -> AcceptedChanges:
    """Every accepted change, those taken back too, oldest first."""
    read_shop(folder)
    with open_store(folder, read_only=True) as store:
        rows = find_accepted(store, undone=True)
    return {
        "accepted": [
            {
                "process": row["process"],
                "stage": row["stage"],
                "since": row["since"],
                "change_pct": row["change_pct"],
                "accepted_at": _in_utc(row["accepted_at"]),
                "note": row["note"],
                "known_until": _in_utc(row["known_until"]) if row["known_until"] else None,
                "undone_at": _in_utc(row["undone_at"]) if row["undone_at"] else None,
            }
            for row in rows
        ]
    }


def _in_utc(moment: datetime) -> str:
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def stage_named(text: str, option: str) -> tuple[str, str]:
    """'VPP:post_curing' (or with a blank) as process and stage; 'station:NAME' and 'material:NAME' likewise.

    Raises UsageError for words that name none.
    """
    word, _, name = text.strip().partition(":" if ":" in text else " ")
    if word.strip().lower() in POOLED_BY and name.strip():
        return word.strip().lower(), name.strip()
    process = process_code(word)
    if not name or process is None:
        raise UsageError(f'{option} "{text}" does not name a stage.', "Write PROCESS:STAGE, e.g. VPP:post_curing.")
    return process, name.strip().replace(" ", "_")
