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
from calib.report.terminal_quote import WIDTH, in_full
from calib.report.units import UNKNOWN, chance, clock_time, count, half_day_time, share, times, usual_time

SHOWN = 30


def show_quotes(doc: QuotesDocument) -> str:
    """One line for each quote, newest first, then how many promises and ranges held."""
    rows = doc["quotes"]
    if not rows:
        return "\n".join(["No quote is kept yet. Make one: calib quote PART --qty N --keep", *_looks(doc)])
    heads = "quote|given|>parts|part|by|promised|state|builds"
    shown = table(heads, [_quote_row(row, doc["today"]) for row in rows[:SHOWN]])
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
        f"{count(doc['looks'], 'answer')} that nobody kept or accepted {'is' if doc['looks'] == 1 else 'are'} not listed. Keep one: calib quotes QUOTE_ID --keep"
    ]


def _quote_row(quote: ListedQuote, today: str) -> list[Any]:
    return [
        quote["quote_id"],
        clock_time(quote["quoted_at"], today),
        quote["quantity"],
        quote["part"],
        f"{quote['process']} {quote['machine']}",
        half_day_time(quote["promised_at"], today),
        _state(quote, today),
        ", ".join(quote["builds"]),
    ]


def _state(quote: ListedQuote, today: str) -> str:
    if quote["ready_at"]:
        return f"{quote['state']}, {clock_time(quote['ready_at'], today)}"
    if quote["state"] == "accepted":
        return "accepted" + (f" as {quote['order_id']}" if quote["order_id"] else "")
    return str(quote["state"])


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
            f"From today's queue: usually ready {usual_time(doc['ready_at']['p50'], doc['start'])}, kept {times(doc['chance'])} times."
        )
    if doc["because"]:
        lines.append(f"That is less than 8 of 10 times: {doc['because']}.")
    cautions = in_full(doc["cautions"]) if doc.get("cautions") else []
    undo = f"Undo: calib accept {doc['quote_id']} --undo"
    return "\n".join([*lines, *_slips(doc), *doc["warnings"], *cautions, undo])


def _chance(given: float | None) -> str:
    return f" (by the quote kept {times(given)} times)" if given is not None else ""


def _slips(doc: AcceptDocument) -> list[str]:
    if not doc["others"]:
        return ["No other promise is open."]
    if not doc["slips"]:
        others = count(doc["others"], "other open promise")
        return [f"No date slips: {others} {'is' if doc['others'] == 1 else 'are'} as sure as before."]
    return [
        f"Slips: {slip['quote_id']} ({slip['part']}, promised {half_day_time(slip['promised_at'], doc['start'])}): kept {times(slip['chance_before'])} times "
        f"before, {times(slip['chance'])} now; usually {usual_time(slip['usual'], doc['start'])} instead of {usual_time(slip['usual_before'], doc['start'])}."
        for slip in doc["slips"]
    ]


def show_promises(doc: PromisesDocument) -> str:
    """Every open promise, the least sure first, and why those below 80 % fell."""
    rows = doc["promises"]
    if not rows:
        return "\n".join(["No promise is open. Accept a quote: calib accept QUOTE_ID", *doc["warnings"]])
    heads = "quote|order|>parts|part|by|promised|usually ready|>chance|then"
    shown = table(heads, [_promise_row(row, doc["start"]) for row in rows])
    return as_text(shown, below_80(doc), *_reasons(rows), *doc["warnings"], width=WIDTH)


def _promise_row(promise: OpenPromise, start: str) -> list[Any]:
    return [
        promise["quote_id"],
        promise["order_id"] or "",
        promise["quantity"],
        promise["part"],
        f"{promise['process']} {promise['machine']}",
        half_day_time(promise["promised_at"], start),
        usual_time(promise["ready_at"]["p50"], start) if promise["ready_at"] else UNKNOWN,
        chance(not_rounded_up_to_80(promise["chance"])),
        chance(promise["chance_then"]) if promise["chance_then"] is not None else "",
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
    if not below and any(promise["state"] == "unknown" for promise in doc["promises"]):
        return "Every open promise of which something is heard is kept 8 of 10 times or more."
    if not below:
        which = "The open promise is" if total == 1 else f"All {total} open promises are"
        return f"{which} kept 8 of 10 times or more."
    which = "The open promise" if total == 1 else f"{below} of {total} open promises"
    return f"{which} {'is' if below == 1 else 'are'} kept less than 8 of 10 times now."


def _reasons(rows: list[OpenPromise]) -> list[str]:
    return [f"{row['quote_id']}: {row['because']}." for row in rows if row["because"]]
