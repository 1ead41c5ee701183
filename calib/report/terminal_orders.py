"""Quotes as they were given, accepted, promised and kept, as text."""

from __future__ import annotations

from typing import Any

from calib.documents.promises import (
    AcceptDocument,
    ListedQuote,
    OpenPromise,
    PromisesDocument,
    QuotesDocument,
    Ready,
    Withdrawn,
)
from calib.report.sentences import against_ranges
from calib.report.terminal import as_text, table
from calib.report.terminal_quote import WIDTH
from calib.report.units import UNKNOWN, chance, clock_time, count, half_day_time, share

SHOWN = 30


def show_quotes(doc: QuotesDocument) -> str:
    """One line for each quote, newest first, then how many promises and ranges held."""
    rows = doc["quotes"]
    if not rows:
        return "\n".join(["No quote is kept yet. Make one: calib quote PART --qty N --keep", *_looks(doc)])
    heads = "quote|given|>parts|part|by|promised|state|builds"
    shown = table(heads, [_quote_row(one, doc["today"]) for one in rows[:SHOWN]])
    more = [f"{len(rows) - SHOWN} older ones are in --json."] if len(rows) > SHOWN else []
    return as_text(
        shown,
        *more,
        *_looks(doc),
        *_scores(doc),
        "One of them again, as it was given: calib quotes QUOTE_ID",
        width=WIDTH,
    )


def _looks(doc: QuotesDocument) -> list[str]:
    if not doc["looks"]:
        return []
    return [
        f"{count(doc['looks'], 'answer')} that nobody kept or accepted not listed. Keep one: calib quotes QUOTE_ID --keep"
    ]


def _quote_row(one: ListedQuote, today: str) -> list[Any]:
    return [
        one["quote_id"],
        clock_time(one["quoted_at"], today),
        one["quantity"],
        one["part"],
        f"{one['process']} {one['machine']}",
        half_day_time(one["promised_at"], today),
        _state(one, today),
        ", ".join(one["builds"]),
    ]


def _state(one: ListedQuote, today: str) -> str:
    if one["ready_at"]:
        return f"{one['state']}, {clock_time(one['ready_at'], today)}"
    if one["state"] == "accepted":
        return "accepted" + (f" as {one['order_id']}" if one["order_id"] else "")
    return str(one["state"])


def _scores(doc: QuotesDocument) -> list[str]:
    promises, ranges = doc["promises"], doc["ranges"]
    if not promises["promises"]:
        return ["No quote's parts are finished yet: promises are scored when the logs of their builds come."]
    kept = f"Promises: kept {promises['held']} of {promises['promises']}"
    if promises["share"] is not None:
        kept += (
            f", {share(promises['share'])} (8 of 10 times {share(promises['low'])} to {share(promises['high'])}; "
            f"said was {share(promises['stated'])})"
        )
    return [f"{kept}{against_ranges(ranges)}."]


def show_accepted_quote(doc: AcceptDocument | Withdrawn | Ready) -> str:
    """What was promised and what follows for the others; or that it is undone, or was ready."""
    if "withdrawn" in doc:
        return f"{doc['quote_id']} is out of the queue again; the quote itself is kept."
    if "held" in doc:
        kept = "in time" if doc["held"] else "late"
        return f"{doc['quote_id']} was ready {clock_time(doc['ready_at'], doc['start'])}, {kept} (promised {half_day_time(doc['promised_at'], doc['start'])})."
    order = f" as {doc['order_id']}" if doc["order_id"] else ""
    lines = [
        f"{doc['quote_id']} is accepted{order}: {doc['quantity']} × {doc['part']} by {doc['process']} on {doc['machine']}, "
        f"promised {half_day_time(doc['promised_at'], doc['start'])}{_chance(doc['chance_then'])}."
    ]
    if doc["begins_at"] > doc["start"]:
        lines.append(f"Its work begins {clock_time(doc['begins_at'], doc['start'])}, not before.")
    if doc["ready_at"]:
        lines.append(
            f"From today's queue: usually ready {clock_time(doc['ready_at']['p50'], doc['start'])}, kept with {chance(doc['chance'])}."
        )
    if doc["because"]:
        lines.append(f"That is less than 8 of 10 times: {doc['because']}.")
    return "\n".join([*lines, *_slips(doc), *doc["warnings"], f"Undo: calib accept {doc['quote_id']} --undo"])


def _chance(given: float | None) -> str:
    return f" (chance by the quote {chance(given)})" if given is not None else ""


def _slips(doc: AcceptDocument) -> list[str]:
    if not doc["others"]:
        return ["No other promise is open."]
    if not doc["slips"]:
        others = count(doc["others"], "other open promise")
        return [f"No date slips: {others} {'is' if doc['others'] == 1 else 'are'} as sure as before."]
    return [
        f"Slips: {one['quote_id']} ({one['part']}, promised {half_day_time(one['promised_at'], doc['start'])}): {chance(one['chance_before'])} "
        f"before, {chance(one['chance'])} now; usually {clock_time(one['usual'], doc['start'])} instead of {clock_time(one['usual_before'], doc['start'])}."
        for one in doc["slips"]
    ]


def show_promises(doc: PromisesDocument) -> str:
    """Every open promise, the least sure first, and why those below 80 % fell."""
    rows = doc["promises"]
    if not rows:
        return "\n".join(["No promise is open. Accept a quote: calib accept QUOTE_ID", *doc["warnings"]])
    heads = "quote|order|>parts|part|by|promised|usually ready|>chance|then"
    shown = table(heads, [_promise_row(one, doc["start"]) for one in rows])
    return as_text(shown, below_80(doc), *_reasons(rows), *doc["warnings"], width=WIDTH)


def _promise_row(one: OpenPromise, start: str) -> list[Any]:
    return [
        one["quote_id"],
        one["order_id"] or "",
        one["quantity"],
        one["part"],
        f"{one['process']} {one['machine']}",
        half_day_time(one["promised_at"], start),
        clock_time(one["ready_at"]["p50"], start) if one["ready_at"] else UNKNOWN,
        chance(not_rounded_up_to_80(one["chance"])),
        chance(one["chance_then"]) if one["chance_then"] is not None else "",
    ]


def not_rounded_up_to_80(value: float | None) -> float | None:
    """
    >>> not_rounded_up_to_80(0.798), not_rounded_up_to_80(0.8)
    (0.79, 0.8)
    """
    return 0.79 if value is not None and 0.79 < value < 0.8 else value


def below_80(doc: PromisesDocument) -> str:
    """
    >>> below_80({"promises": [{"state": "sure"}] * 3, "below_80": 1})
    '1 of 3 open promises is kept less than 8 of 10 times now.'
    """
    total, below = len(doc["promises"]), doc["below_80"]
    if not below and any(one["state"] == "unknown" for one in doc["promises"]):
        return "Every open promise of which something is heard is kept 8 of 10 times or more."
    if not below:
        which = "The open promise is" if total == 1 else f"All {total} open promises are"
        return f"{which} kept 8 of 10 times or more."
    which = "The open promise" if total == 1 else f"{below} of {total} open promises"
    return f"{which} {'is' if below == 1 else 'are'} kept less than 8 of 10 times now."


def _reasons(rows: list[OpenPromise]) -> list[str]:
    return [f"{one['quote_id']}: {one['because']}." for one in rows if one["because"]]
