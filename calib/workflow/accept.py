"""A quote becomes an order: into the queue, with what was promised; or out of it again."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from calib.calendar.clock import OpenClock, from_minutes, to_minutes
from calib.calendar.written_time import moment
from calib.documents.promises import AcceptDocument, OpenPromise, Ready, Slip, StoredQuote, Withdrawn
from calib.documents.quote import QuoteDocument, QuoteOption
from calib.errors import UsageError
from calib.progress import Progress, no_progress
from calib.quoting.half_days import half_day_end
from calib.quoting.notes import floors_not_known_then, unknown_floors
from calib.quoting.promise import SAFE
from calib.records import process_code
from calib.report.quote_sentences import cautions_of
from calib.shop.model import Shop
from calib.store.open_store import open_store
from calib.store.people import without_names
from calib.store.quotes import Acceptance, accept_quote, find_quote, promised_at, state_ready, withdraw_quote
from calib.workflow.promises import Today, find_today, forecast

SLIPPED = 0.01  # a chance that fell by more than a hundredth is reported


def accept(
    folder: Path,
    quote_id: str,
    choice: str | None = None,
    promise: str | None = None,
    order: str | None = None,
    note: str | None = None,
    hurried: bool = False,
    start: str | None = None,
    progress: Progress = no_progress,
) -> AcceptDocument:
    """Accept a quote: its builds stand in the queue from now on. Says whose date slips by it.

    choice : a process or a machine of the quote; else the soonest option
    promise : date or time promised; else the one that the quote gave, moved by as much as ``start`` is later than its own
    start : when its work may begin; else the quote's own start
    hurried : before planned builds that have not begun
    Raises UsageError for a quote of an older calib, for a machine that the shop has no more, and for a choice or a time
    that cannot be.
    """
    today = find_today(folder, None)
    with open_store(folder, read_only=True) as store:
        quote = find_quote(store, quote_id)
    document = quote["document"]
    number = find_option(document, choice)
    option = document["options"][number]
    if "plan" not in option:
        raise UsageError(
            f"{quote['quote_id']} was given by an older calib that kept no builds.", "Quote again, then accept."
        )
    if gone := [name for name in option["machine"].split("+") if name not in today.shop.machines]:
        raise UsageError(
            f"{quote['quote_id']} is for {', '.join(gone)}, which is not in the shop file.",
            "Quote again, then accept.",
        )
    zone = ZoneInfo(today.shop.timezone)
    quoted = moment(document["start"], zone)
    begins = moment(start, zone) if start else quoted
    due = moment(promise, zone, whole_day_ends=True) if promise else _moved(option, begins - quoted, today.shop)
    chance = option.get("promise_chance") if due == _given(option, zone) and begins <= quoted else None
    chance = chance_then(option, due, begins) if chance is None else chance
    progress("Running the queue through the calendar ...")
    before = {row["quote_id"]: row for row in forecast(folder, today)}
    with open_store(folder) as store:
        note = without_names(store, note, today.shop.people_names) if note else note
        agreed = Acceptance(number, due, chance, note, order, hurried, begins)
        accept_quote(store, quote["quote_id"], agreed)
    after = forecast(folder, today)
    progress("")
    return _document(quote, agreed, due, begins, today, before, after)


def _given(option: QuoteOption, zone: ZoneInfo) -> datetime:
    """The date that the quote gave; of an older quote the minute."""
    return moment(option.get("promised_at") or option["sure_at"], zone)


def _moved(option: QuoteOption, later: timedelta, shop: Shop) -> datetime:
    """The date that the quote gave; a later start moves it by as much, to the half day."""
    given = _given(option, ZoneInfo(shop.timezone))
    if later <= timedelta(0):
        return given
    clock = OpenClock(shop.hours, shop.closures, shop.timezone)
    return from_minutes(half_day_end(to_minutes(given + later), clock), shop.timezone)


def _document(
    quote: StoredQuote,
    agreed: Acceptance,
    due: datetime,
    begins: datetime,
    today: Today,
    before: dict[str, OpenPromise],
    after: list[OpenPromise],
) -> AcceptDocument:
    """What was accepted, and what the forecasts before and after say of it and of the others."""
    name, document = quote["quote_id"], quote["document"]
    option = document["options"][agreed.option]
    own = next((row for row in after if row["quote_id"] == name), None)
    return {
        "start": today.now.isoformat(timespec="minutes"),
        "quote_id": name,
        "part": document["part"],
        "quantity": document["quantity"],
        "process": option["process"],
        "machine": option["machine"],
        "begins_at": begins.isoformat(timespec="minutes"),
        "promised_at": due.isoformat(timespec="minutes"),
        "chance": own["chance"] if own else None,
        "ready_at": own["ready_at"] if own else None,
        "because": own["because"] if own else None,
        "slips": slips(before, after, name),
        "others": sum(row["quote_id"] != name for row in after),
        "warnings": _warnings(document, option, due, begins, today),
        "cautions": cautions_of([option]),
        "order_id": agreed.order_id,
        "chance_then": agreed.chance,
        "hurried": agreed.hurried,
        "note": agreed.note,
    }


def undo(folder: Path, quote_id: str) -> Withdrawn:
    """Take a quote out of the queue again. Raises UsageError where it is not accepted."""
    with open_store(folder) as store:
        quote = find_quote(store, quote_id)
        if quote["accepted_at"] is None:
            raise UsageError(f"{quote['quote_id']} is not accepted: there is nothing to undo.")
        withdraw_quote(store, quote["quote_id"])
    return {"quote_id": quote["quote_id"], "withdrawn": True}


def mark_ready(folder: Path, quote_id: str, when: str) -> Ready:
    """Keep when the parts were ready, for a shop that logs no packing.

    Raises UsageError for a time to come, and where it is not accepted.
    """
    today = find_today(folder, None)
    ready = moment(when, ZoneInfo(today.shop.timezone))
    if ready > today.now:
        raise UsageError(f"--ready {when} lies ahead.", "Give the time at which the parts were ready.")
    with open_store(folder) as store:
        quote = find_quote(store, quote_id)
        if quote["accepted_at"] is None:
            raise UsageError(f"{quote['quote_id']} is not accepted.", f"First: calib accept {quote['quote_id']}")
        state_ready(store, quote["quote_id"], ready)
    due = promised_at(quote)
    return {
        "start": today.now.isoformat(timespec="minutes"),
        "quote_id": quote["quote_id"],
        "ready_at": ready.isoformat(timespec="minutes"),
        "promised_at": due.astimezone(ready.tzinfo).isoformat(timespec="minutes"),
        "held": ready <= due,
    }


def find_option(document: QuoteDocument, choice: str | None) -> int:
    """Number of the first option of that process or machine. Raises UsageError with those there are."""
    options = document["options"]
    if choice is None:
        return 0
    process = process_code(choice)
    for number, option in enumerate(options):
        if process == option["process"] or choice == option["machine"]:
            return number
    known = ", ".join(f"{option['process']} {option['machine']}" for option in options)
    raise UsageError(f'The quote has no option "{choice}".', f"It has: {known}.")


def chance_then(option: QuoteOption, due: datetime, start: datetime) -> float | None:
    """Chance of a time by the quantiles that the quote kept [0..1]."""
    kept = option.get("lead_quantiles_h")
    if not kept:
        return None
    chances, hours = np.array(kept, float).T
    asked = (due - start).total_seconds() / 3600
    return round(float(np.interp(asked, hours, chances, left=0.0, right=1.0)), 3)


def slips(before: dict[str, OpenPromise], after: list[OpenPromise], own: str) -> list[Slip]:
    """Promises to others that are less sure than before, the worst first."""
    found = (
        _slip(before[row["quote_id"]], row) for row in after if row["quote_id"] != own and row["quote_id"] in before
    )
    return [slip for slip in found if slip]


def _slip(before: OpenPromise, after: OpenPromise) -> Slip | None:
    """One promise that is less sure than before; None where it is not, or where nothing of it stands in the queue."""
    was, now = before["chance"], after["chance"]
    if was is None or now is None or before["ready_at"] is None or after["ready_at"] is None or now >= was - SLIPPED:
        return None
    return {
        "quote_id": after["quote_id"],
        "part": after["part"],
        "promised_at": after["promised_at"],
        "chance_before": was,
        "chance": now,
        "usual_before": before["ready_at"]["p50"],
        "usual": after["ready_at"]["p50"],
        "below_80": now < SAFE,
    }


def _warnings(document: QuoteDocument, option: QuoteOption, due: datetime, begins: datetime, today: Today) -> list[str]:
    warnings = list(today.fitted.warnings)
    if due <= today.now:
        warnings.append("The promised time is past already.")
    elif due <= begins:
        warnings.append("The promised time comes before its work may begin.")
    if today.now.date().isoformat() > document["valid_until"]:
        warnings.append(f"The quote was good until {document['valid_until']}: better quote again before promising.")
    return [*warnings, *unknown_floors(floors_not_known_then(option, today.shop))]
