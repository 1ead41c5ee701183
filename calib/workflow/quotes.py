"""Stored quotes: listed with what became of them, shown exactly as given, and scored."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd

from calib.documents.promises import ListedQuote, Order, QuotesDocument, StoredQuote
from calib.documents.quote import Agreed, QuoteDocument
from calib.quoting.promise import score_promises, score_ranges
from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.store.quotes import chance_of, count_looks, find_fulfilment, find_quote, keep_quote, option_of, promised_at
from calib.workflow.fitted import has_store
from calib.workflow.pages import NO_SHEETS, Sheets, write_sheets
from calib.workflow.promises import find_all_orders


def list_quotes(folder: Path) -> QuotesDocument:
    """Every quote that was kept, accepted or built with its state, newest first, and how many promises and ranges held.

    ``looks`` : how many answers are stored that are none of these.
    States: 'open', 'lapsed' (not accepted in time), 'accepted', 'in time', 'late'.
    """
    zone = ZoneInfo(read_shop(folder).timezone)
    orders = find_all_orders(folder)
    today = datetime.now(zone).date()
    return {
        "today": today.isoformat(),
        "looks": find_looks(folder),
        "quotes": [_row(order, zone, today) for order in reversed(orders)],
        "promises": score_promises(_promises(orders)),
        "ranges": score_ranges(ranges_of(orders)),
    }


def show_again(
    folder: Path,
    quote_id: str,
    sheets: Sheets = NO_SHEETS,
    keep: bool = False,
) -> QuoteDocument:
    """A quote's document as it was given, to the last digit; sheets of an accepted one say what was promised.

    keep : from now on listed and scored as a quote; a sheet of it does the same
    """
    results = sheets.results()
    kept = keep or bool(results)
    with open_store(folder, read_only=not kept) as store:
        quote = find_quote(store, quote_id)
        if kept:
            keep_quote(store, quote["quote_id"])
    document = quote["document"]
    write_sheets(results, document, _agreed(quote))
    return document


def find_looks(folder: Path) -> int:
    if not has_store(folder):
        return 0
    with open_store(folder, read_only=True) as store:
        return count_looks(store, find_fulfilment(store))


def _agreed(quote: StoredQuote) -> Agreed | None:
    """What was promised when it was accepted, in the shop's zone; None where it was not."""
    if quote["accepted_at"] is None or quote["accepted_option"] is None:
        return None
    zone = datetime.fromisoformat(quote["document"]["start"]).tzinfo
    due = promised_at(quote).astimezone(zone).isoformat()
    return {"option": quote["accepted_option"], "promised_at": due, "chance": quote["chance"]}


def ranges_of(orders: list[Order]) -> pd.DataFrame:
    """Finished quotes with the range that was given: finished_at, p10, p50, p90."""
    done = [order for order in orders if order["ready_at"] is not None]
    given = [option_of(order)["ready_at"] for order in done]
    rows = [
        (order["ready_at"], ready["p10"], ready["p50"], ready["p90"]) for order, ready in zip(done, given, strict=True)
    ]
    frame = pd.DataFrame(rows, columns=["finished_at", "p10", "p50", "p90"])
    return pd.DataFrame({name: pd.to_datetime(frame[name], utc=True) for name in frame})


def _promises(orders: list[Order]) -> pd.DataFrame:
    rows = [(promised_at(order), order["ready_at"], chance_of(order)) for order in orders]
    frame = pd.DataFrame(rows, columns=["promised_at", "finished_at", "chance"])
    for name in ("promised_at", "finished_at"):
        frame[name] = pd.to_datetime(frame[name], utc=True)
    return frame


def _row(order: Order, zone: ZoneInfo, today: date) -> ListedQuote:
    document, option = order["document"], option_of(order)
    return {
        "quote_id": order["quote_id"],
        "order_id": order["order_id"],
        "quoted_at": _local(order["quoted_at"], zone) or "",
        "part": document["part"],
        "quantity": document["quantity"],
        "process": option["process"],
        "machine": option["machine"],
        "promised_at": _local(promised_at(order), zone) or "",
        "chance": chance_of(order),
        "valid_until": document["valid_until"],
        "accepted_at": _local(order["accepted_at"], zone),
        "builds": [build["build_id"] for build in order["builds"]],
        "ready_at": _local(order["ready_at"], zone),
        "state": _state(order, today),
        "note": order["note"],
    }


def _state(order: Order, today: date) -> str:
    if order["ready_at"] is not None:
        return "in time" if order["ready_at"] <= promised_at(order) else "late"
    if order["accepted_at"] is not None:
        return "accepted"
    return "open" if today.isoformat() <= order["document"]["valid_until"] else "lapsed"


def _local(when: datetime | None, zone: ZoneInfo) -> str | None:
    return when.astimezone(zone).isoformat(timespec="minutes") if when is not None else None
