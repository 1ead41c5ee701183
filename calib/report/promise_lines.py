"""Open promises as lines: how many still hold, and of each its chance today and what moved it."""

from __future__ import annotations

from calib.documents.promises import OpenPromise, PromisesDocument
from calib.report.units import count, half_day_time, times

STATES = {
    "late": "late",
    "unknown": "not heard of for weeks",
    "fell": "less sure than promised",
    "sure": "as sure as promised",
}


def promises_sentence(doc: PromisesDocument) -> str:
    """
    >>> promises_sentence({"promises": [{"state": "late"}, {"state": "sure"}, {"state": "fell"}]})
    'Promises: 3 open, 1 late, 1 less sure than promised.'
    >>> promises_sentence({"promises": []}), promises_sentence({"promises": [{"state": "sure"}]})
    ('Promises: none open.', 'Promises: 1 open, as sure as promised.')
    """
    states = [promise["state"] for promise in doc["promises"]]
    if not states:
        return "Promises: none open."
    off = [f"{states.count(state)} {STATES[state]}" for state in ("late", "unknown", "fell") if state in states]
    return f"Promises: {', '.join([f'{len(states)} open', *(off or [STATES['sure']])])}."


def promise_line(promise: OpenPromise, start: str) -> str:
    """One open promise: what, for when, its chance today against when it was promised, and why it fell."""
    what = (
        f"{promise['quote_id']} ({promise['quantity']} × {promise['part']}, {promise['process']} {promise['machine']})"
    )
    return f"{what}: promised {half_day_time(promise['promised_at'], start)}; {promise_state(promise)}."


def promise_state(promise: OpenPromise) -> str:
    """
    >>> promise_state({"state": "late", "because": "its packing is not logged"})
    'late: its packing is not logged'
    >>> promise_state({"state": "fell", "chance": 0.41, "chance_then": 0.9, "because": "2 builds go before it"})
    'kept 41 of 100 times now, 9 of 10 when promised: 2 builds go before it'
    """
    if promise["state"] == "late":
        return f"late: {promise['because']}"
    if promise["state"] == "unknown":
        return str(promise["because"])
    then = f", {times(promise['chance_then'])} when promised" if promise["chance_then"] is not None else ""
    why = f": {promise['because']}" if promise["because"] else ""
    return f"kept {times(promise['chance'])} times now{then}{why}"


def promise_lines(doc: PromisesDocument, most: int = 12) -> list[str]:
    """The sentence, then the promises that are late or fell first."""
    rows = doc["promises"]
    left = [f"{count(len(rows) - most, 'more promise')}: calib promises"] if len(rows) > most else []
    return [promises_sentence(doc), *(f"  {promise_line(row, doc['start'])}" for row in rows[:most]), *left]
