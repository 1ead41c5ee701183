"""Open promises forecast again from today's state, and the ones that were kept, scored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from calib.calendar.clock import OpenClock, from_minutes, to_minutes
from calib.calendar.written_time import moment
from calib.documents.promises import OpenPromise, Order, PromisesDocument
from calib.progress import Progress, no_progress
from calib.quoting.common_random_numbers import CommonRandomNumbers
from calib.quoting.flow import QueuedBuild, queue_job
from calib.quoting.half_days import closed_days
from calib.quoting.joined_orders import join_orders, share_ends
from calib.quoting.notes import floors_not_known_then, unknown_floors
from calib.quoting.promise import SAFE
from calib.quoting.ranges import chance_by, date_range, one_of_twenty
from calib.quoting.schedule import Job, Resources, ends_of, run_jobs
from calib.shop.model import Shop
from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.store.quotes import find_orders, option_of, promised_at
from calib.workflow.fitted import Fitted, find_fitted, has_store, learned_of
from calib.workflow.queue import find_queue_and_orders

DRAWS = 2000
FELL = 0.02  # a chance that is lower by less has not fallen: so far 2000 draws tell them apart
LONG = 0.95  # a run that lasts longer than this share of such runs is asked about


@dataclass(frozen=True, eq=False)
class Today:
    """The shop as it stands: what the forecast of every promise is made from."""

    shop: Shop
    fitted: Fitted
    now: datetime
    drawn: dict[tuple[str, int], Job] = field(default_factory=dict)  # by build and its place in the queue

    def ends(self, queue: Sequence[QueuedBuild], only: str | None = None) -> dict[str, np.ndarray]:
        """When the last build of each quote of the queue is done, or of one quote alone in the shop, shape (draws,) [wall min]."""
        clock = OpenClock(self.shop.attended, self.shop.closures, self.shop.timezone)
        jobs = {
            build.build_id: self._job(build, number)
            for number, build in enumerate(queue)
            if len(build.rows) and only in (None, build.quote_id)
        }
        own = [build for build in queue if build.build_id in jobs]
        joined = join_orders(list(jobs.values()), [build.together for build in own])
        runs = run_jobs(joined, Resources(self.shop, clock, DRAWS, to_minutes(self.now)))
        ended, ends = share_ends(joined, ends_of(runs)), dict[str, np.ndarray]()
        for build in own:
            end = ended[jobs[build.build_id].name]
            ends[build.quote_id] = np.maximum(ends[build.quote_id], end) if build.quote_id in ends else end
        return ends

    def _job(self, build: QueuedBuild, number: int) -> Job:
        """The build's work, drawn once: before and after an acceptance, in the queue and alone its random numbers are the same."""
        if (build.build_id, number) not in self.drawn:
            random_numbers = CommonRandomNumbers(learned_of(self.fitted, self.shop), DRAWS, seed=0)
            self.drawn[build.build_id, number] = queue_job(build, random_numbers, number)
        return self.drawn[build.build_id, number]


def find_today(folder: Path, start: str | None) -> Today:
    shop = read_shop(folder)
    zone = ZoneInfo(shop.timezone)
    now = moment(start, zone) if start else datetime.now(zone).replace(microsecond=0)
    return Today(shop, find_fitted(folder), now)


def find_promises(folder: Path, start: str | None = None, progress: Progress = no_progress) -> PromisesDocument:
    """Every accepted quote whose parts are not ready, the least sure first, with the reason where it fell below 80 %."""
    today = find_today(folder, start)
    progress("Running the queue through the calendar ...")
    rows = forecast(folder, today)
    progress("")
    return {
        "start": today.now.isoformat(timespec="minutes"),
        "promises": rows,
        "closed_days": _closed_days(rows, today),
        "below_80": sum(row["chance"] is not None and row["chance"] < SAFE for row in rows),
        "warnings": [*today.fitted.warnings, *unknown_floors(_floors_not_known(folder, today.shop))],
    }


def _closed_days(rows: Sequence[OpenPromise], today: Today) -> list[str]:
    """From today to the last of the promises and of the jobs that stand for them."""
    ends = [
        datetime.fromisoformat(text) for row in rows for text in (row["promised_at"], *(row.get("ready_dots") or ()))
    ]
    clock = OpenClock(today.shop.hours, today.shop.closures, today.shop.timezone)
    return closed_days(to_minutes(today.now), max(map(to_minutes, ends)), clock) if ends else []


def _floors_not_known(folder: Path, shop: Shop) -> list[tuple[str, str]]:
    """Material and stage of what is promised and not ready, of which the least time is not known."""
    return [
        pair
        for order in find_all_orders(folder, open_only=True)
        for pair in floors_not_known_then(option_of(order), shop)
    ]


def forecast(folder: Path, today: Today) -> list[OpenPromise]:
    """One row for each open promise, the least sure first."""
    queue, orders = find_queue_and_orders(folder, today.shop, today.fitted, pd.Timestamp(today.now))
    if not orders:
        return []
    ends = today.ends(queue)
    rows = [_forecast_one(order, queue, ends, today) for order in orders]
    return sorted(rows, key=lambda row: (row["chance"] or 0.0, row["promised_at"]))


def find_all_orders(folder: Path, open_only: bool = False) -> list[Order]:
    if not has_store(folder):
        return []
    with open_store(folder, read_only=True) as store:
        return find_orders(store, open_only)


def _forecast_one(order: Order, queue: Sequence[QueuedBuild], ends: dict[str, np.ndarray], today: Today) -> OpenPromise:
    """Its row; of an order whose builds nobody wrote of for so long that none stands in the queue, chance and ready_at
    are None: it is not known whether it is ready."""
    name, due, option = order["quote_id"], promised_at(order), option_of(order)
    ready, own, level = ends.get(name), [build for build in queue if build.quote_id == name], level_of(order)
    chance = None if ready is None else chance_by(ready, to_minutes(due))
    state = "late" if due <= today.now else "unknown" if chance is None else "fell" if chance < level - FELL else "sure"
    return {
        "quote_id": name,
        "order_id": order["order_id"],
        "part": order["document"]["part"],
        "quantity": order["document"]["quantity"],
        "process": option["process"],
        "machine": option["machine"],
        "promised_at": due.astimezone(today.now.tzinfo).isoformat(timespec="minutes"),
        "chance_then": order["chance"],
        "chance": None if chance is None else round(chance, 4),
        "ready_at": None if ready is None else date_range(ready, today.shop.timezone),
        "ready_dots": None if ready is None else one_of_twenty(ready, today.shop.timezone),
        "level": level,
        "state": state,
        "because": None
        if state == "sure" and chance is not None and chance >= SAFE
        else _reason(order, own, queue, today, level),
    }


def level_of(order: Order) -> float:
    """The chance that the promise was to have: what the quote was asked for, less where less was promised knowingly."""
    sure = float(order["document"]["sure"])
    return sure if order["chance"] is None else min(sure, order["chance"])


def _reason(order: Order, own: Sequence[QueuedBuild], queue: Sequence[QueuedBuild], today: Today, level: float) -> str:
    """Why a promise fell: past, a run that does not end, held up by what stands before it, or too late by its own work."""
    due = promised_at(order)
    if due <= today.now:
        return "packing not logged yet"
    if not own:
        names = ", ".join(build["build_id"] for build in order["builds"])
        return f"no packing of {names} is logged, and nothing else of late: ready, or forgotten?"
    if endless := overrun([*own, *_ahead(own, queue)], today):
        return endless
    alone = today.ends(queue, only=order["quote_id"]).get(order["quote_id"])
    if alone is not None and chance_by(alone, to_minutes(due)) >= level - FELL:
        return _held_up_by(own, queue)
    if (begins := max((build.not_before for build in own), default=-np.inf)) > to_minutes(today.now):
        return f"its work may begin only {from_minutes(begins, today.shop.timezone):%Y-%m-%d %H:%M}, and needs longer than is left"
    if not order["builds"]:
        days = (today.now - order["accepted_at"]).days if order["accepted_at"] else 0
        since = f"{days} days after it was accepted" if days >= 2 else "yet"
        return f"no build of it has begun {since}, and its own work alone needs longer than is left"
    return "what is left of its own work needs longer than is left of the time"


def _held_up_by(own: Sequence[QueuedBuild], queue: Sequence[QueuedBuild]) -> str:
    """The builds that go before its first on the same machines."""
    ahead = _ahead(own, queue)
    if not ahead:
        return "people and benches are busy with the rest of the queue"
    named = ", ".join(build.build_id for build in ahead[:3]) + (" ..." if len(ahead) > 3 else "")
    builds = "1 build goes" if len(ahead) == 1 else f"{len(ahead)} builds go"
    return f"{builds} before it on {', '.join(sorted({build.machine for build in ahead}))} ({named})"


def _ahead(own: Sequence[QueuedBuild], queue: Sequence[QueuedBuild]) -> list[QueuedBuild]:
    """Builds of others that go before its first on the same machines."""
    if not own:
        return []
    first, machines = min(queue.index(build) for build in own), {build.machine for build in own}
    return [build for build in queue[:first] if build.machine in machines]


def overrun(builds: Sequence[QueuedBuild], today: Today) -> str:
    """The first of these builds whose run lasts longer than nearly all such runs, '' where none does."""
    running = [build for build in builds if build.elapsed_min > 0 and len(build.rows)]
    if not running:
        return ""
    rows = pd.concat(
        [
            build.rows[:1].assign(
                process=build.process, machine=build.machine, material=build.material, build_id=build.build_id
            )
            for build in running
        ],
        ignore_index=True,
    )
    usual = today.fitted.model.predict(rows, quantiles=(0.5, LONG))
    for build, stage, middle, longest in zip(running, rows["stage"], usual[0.5], usual[LONG], strict=True):
        if build.elapsed_min > longest:
            hours = f"{build.elapsed_min / 60:.0f} h, usually {middle / 60:.0f} h"
            return f"{stage.replace('_', ' ')} of {build.build_id} has run for {hours}: late, or its end was not logged"
    return ""
