"""The last fit, ready to predict; or the priors, with a word of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib.calibration.calibrator import Calibrator
from calib.calibration.failures import Failures
from calib.calibration.waits import Waits
from calib.quoting.learned import Learned, Silent, Unwritten
from calib.quoting.remembered import Remembered
from calib.quoting.staff import NOBODY_COUNTED, Staff
from calib.shop.model import Shop
from calib.store.fits import find_facts, find_fit
from calib.store.open_store import STORE_NAME, open_store, refuse_gone
from calib.workflow.kept import once
from calib.workflow.routes import route_of


@dataclass(frozen=True)
class Fitted:
    """Model, waits, failures and routes of one fit; ``warnings`` say when it is old or missing.

    remembered : the model with what it answered, of a fit that is read from the store
    """

    model: Calibrator
    waits: Waits
    failures: Failures
    routes: pd.DataFrame | None
    as_of: str | None
    warnings: tuple[str, ...] = ()
    staff: Staff = NOBODY_COUNTED
    silent: Silent = field(default_factory=dict)
    not_done: frozenset[tuple[str, str]] = frozenset()
    runs_on: frozenset[str] = frozenset()
    remembered: Remembered | None = None

    def route(self, process: str, material: str, finish: str, has_supports: bool, shop: Shop) -> tuple[str, ...]:
        """Stages of a build, in order."""
        return route_of(process, material, finish, has_supports, shop, self.routes, self.not_done)


PRIORS = Calibrator(prior_only=True)
UNLEARNED = Fitted(
    PRIORS, Waits(), Failures(), None, None, remembered=Remembered(PRIORS),
    warnings=("Nothing was learned yet: ranges are wide, from physics alone. Import logs, then run: calib fit",),
)  # fmt: skip
_KEPT: dict[tuple[Any, ...], Fitted] = {}  # the last fit that was read, by folder, number and time


def learned_of(fitted: Fitted, shop: Shop) -> Learned:
    """What quotes in this shop use: waits for people are those of its crews."""
    times = fitted.staff.times(shop)
    return Learned(
        fitted.remembered or fitted.model,
        fitted.waits,
        fitted.failures,
        fitted.route,
        times,
        fitted.silent,
        fitted.runs_on,
    )


def staff_of(table: pd.DataFrame | None) -> Staff:
    """What a fit says of waiting for people; one of an older version says nothing."""
    if table is None:
        return NOBODY_COUNTED
    row = table.iloc[0]
    return Staff(float(row["share"]), int(row["people"]), float(row["work"]), float(row.get("hours", 0.0)))


def has_store(folder: Path) -> bool:
    """Whether there is a store yet. Raises StoreError where there was one, and it is gone."""
    refuse_gone(folder)
    return (folder / STORE_NAME).exists()


def find_fitted(folder: Path) -> Fitted:
    """The last fit of the shop in ``folder``, with a word if logs came since; the priors if none was made."""
    return once(folder, "fit", lambda: _read(folder)) if has_store(folder) else UNLEARNED


def _read(folder: Path) -> Fitted:
    with open_store(folder, read_only=True) as store:
        facts = find_facts(store)
        if facts is None:
            return UNLEARNED
        key = folder.resolve(), facts["fit_id"], facts["fitted_at"]
        fitted = _KEPT.get(key) or _read_fit(store, key)
    old = ("The logs have changed since the last fit. Run: calib fit",) if facts["logs_since"] else ()
    return replace(fitted, warnings=old)


def _read_fit(store: Any, key: tuple[Any, ...]) -> Fitted:
    """A fit from its tables; the last one that was read is kept, for logs may come without another fit."""
    stored = find_fit(store)
    assert stored is not None
    tables, meta = stored
    _KEPT.clear()
    fitted = fitted_of(Calibrator.from_tables(tables), tables, meta["as_of"])
    _KEPT[key] = replace(fitted, remembered=Remembered(fitted.model))
    return _KEPT[key]


def fitted_of(
    model: Calibrator, tables: Mapping[str, pd.DataFrame], as_of: str, warnings: tuple[str, ...] = ()
) -> Fitted:
    """A fit from its model and the tables beside it; those that older versions lack say nothing."""
    not_done = tables["not_done"].itertuples(index=False) if "not_done" in tables else ()
    return Fitted(
        model,
        Waits.from_table(tables["waits"]),
        Failures.from_table(tables["failures"]),
        tables["routes"],
        as_of,
        warnings,
        staff_of(tables.get("staff")),
        silent_of(tables["silent"]) if "silent" in tables else {},
        frozenset((process, stage) for process, stage in not_done),
        frozenset(tables["runs_on"]["machine"]) if "runs_on" in tables else frozenset(),
    )


def silent_of(table: pd.DataFrame) -> Silent:
    """What stages take that are never written down; a fit of an older version knew their shares alone."""
    rows = table.to_dict("records")
    return {
        (row["process"], row["stage"]): Unwritten(row["share"], row["slope"], row["middle_min"], row["sd"])
        if np.isfinite(row.get("slope", np.nan))
        else Unwritten(row["share"], is_open=bool(row.get("is_open", False)))
        for row in rows
    }
