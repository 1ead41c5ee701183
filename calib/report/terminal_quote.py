"""Quotes and comparisons on a terminal: one table to choose from, one sentence of advice, cautions, the basis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from rich.console import RenderableType

from calib.report.terminal import as_text, table
from calib.report.units import MONTHS, count, duration, share, stage_name

Document = Mapping[str, Any]
BAR = 16
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def show_quote(doc: Document, stages: bool = False, why: bool = False) -> str:
    """The options, soonest first; with ``stages`` also what each stage takes, with ``why`` the terms."""
    options = doc["options"]
    longest = max(option["lead_time_h"]["p90"] for option in options)
    shown: list[RenderableType] = [
        f"{doc['part']}, {count(doc['quantity'], 'part')}; ranges hold 8 of 10 times",
        table("process|machine|>builds|ready, usually|with " + share(doc.get("sure", 0.9)) + "|range|>work|>hands|"
              + ("in time" if doc.get("due") else ""), [_row(option, longest, doc) for option in options]),
        advice(doc),
    ]  # fmt: skip
    if stages:
        shown += [_stage_table(option) for option in first_of_each(options)]
    if why:
        shown += [_term_table(option) for option in first_of_each(options)]
    shown += [f"Out: {one['machine']} ({one['process']}): {one['reason']}." for one in doc.get("out") or ()]
    shown += [
        f"Outside: {one['id']}, {clock_time(one['ready_at'])} ({one['basis']})" for one in doc.get("outside") or ()
    ]
    for option in options[:1]:
        shown += [f"Note: {text}" for text in option.get("warnings") or ()]
        shown += [f"Caution ({_stages(one['stages'])}): {one['text']}" for one in option.get("cautions") or ()]
    shown += [str(text) for text in (*(doc.get("notes") or ()), *(doc.get("warnings") or ()))]
    shown.append(f"{basis(options[0])} Good until {doc['valid_until']}.")
    return as_text(*shown)


def _term_table(option: Document) -> RenderableType:
    """Baseline minutes of one build, before any correction by logs, term by term."""
    head = f"{option['process']} {option['machine']}: stage|term|>minutes|from|source"
    return table(head, [_term_row(term) for term in option["terms"] if term["minutes"] >= 0.05])


def _term_row(term: Document) -> list[str]:
    inputs = ", ".join(
        f"{name} {value:.4g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in term["inputs"].items()
    )
    told = f"{term['formula']} ({inputs})" if inputs else term["formula"]
    return [term["stage"].replace("_", " "), term["name"], f"{term['minutes']:.1f}", told, term["source"]]


def first_of_each(options: Sequence[Document]) -> list[Document]:
    """The soonest option of each process."""
    first: dict[str, Document] = {}
    for option in options:
        first.setdefault(option["process"], option)
    return list(first.values())


def advice(doc: Document) -> str:
    """Which option to take, with its chance, in one sentence."""
    best, option = doc["soonest"], doc["options"][0]
    sure = share(doc.get("sure", 0.9))
    when = clock_time(option["sure_at"]) if option.get("sure_at") else clock_time(option["ready_at"]["p90"])
    who = f"{best['process']} on {best['machine']} (chance {share(best['chance'])})"
    said = f"Soonest: {who}; promise {when} to be {sure} sure."
    kept = option.get("on_time")
    return said if kept is None else f"{said} The date asked for is kept with {share(kept)}."


def basis(option: Document) -> str:
    """How much was learned behind an option.

    >>> basis({"stages": [{"runs_behind": 0}, {"runs_behind": 84}]})
    'Basis: up to 84 logged runs of a stage; 1 of 2 stages not yet learned: wide.'
    """
    runs = [stage["runs_behind"] for stage in option["stages"]]
    unlearned = sum(not behind for behind in runs)
    if unlearned == len(runs):
        return "Basis: not yet learned, physics alone: wide."
    said = f"Basis: up to {max(runs)} logged runs of a stage"
    return f"{said}; {unlearned} of {len(runs)} stages not yet learned: wide." if unlearned else said + "."


def clock_time(text: str) -> str:
    """
    >>> clock_time("2026-12-04T15:05+01:00")
    'Fri 4 Dec 15:05'
    """
    when = datetime.fromisoformat(text)
    return f"{WEEKDAYS[when.weekday()]} {when.day} {MONTHS[when.month - 1]} {when:%H:%M}"


def range_bar(low: float, middle: float, high: float, longest: float, width: int = BAR) -> str:
    """A range as text.

    >>> range_bar(2, 4, 8, 10, 10)
    '  --#---'
    """
    at = [min(width - 1, round(value / longest * (width - 1))) if longest > 0 else 0 for value in (low, middle, high)]
    bar = [" "] * at[0] + ["-"] * (at[2] - at[0] + 1)
    bar[at[1]] = "#"
    return "".join(bar)


def show_compare(doc: Document) -> str:
    """Usual lead times over quantities, and where the soonest process changes."""
    quantities = doc["quantities"]
    rows = []
    for option in doc["options"]:
        by_quantity = {one["quantity"]: one for one in option["lead_time_h"]}
        cells = [_hours(by_quantity[q]) if q in by_quantity else "" for q in quantities]
        rows.append([option["process"], option["machine"], *cells])
    shown: list[RenderableType] = ["Time until all parts are ready: usual, and the range that holds 8 of 10 times"]
    for first in range(0, len(quantities), 5):
        some = slice(first, first + 5)
        heads = "process|machine|" + "|".join(f">{q}" for q in quantities[some])
        shown.append(table(heads, [[*row[:2], *row[2:][some]] for row in rows]))
    flips = doc.get("flips") or ()
    shown += [
        f"From {one['quantity']} parts on {one['to']} is soonest, not {one['from']} (chance {share(one['chance'])})."
        for one in flips
    ]
    if not flips:
        shown.append("The soonest process is the same at all these quantities.")
    shown += [str(text) for text in doc.get("warnings") or ()]
    return as_text(*shown)


def _row(option: Document, longest: float, doc: Document) -> list[Any]:
    lead = option["lead_time_h"]
    kept = option.get("on_time")
    return [
        option["process"],
        option["machine"] + (f" ({option['ride']})" if option.get("ride") else ""),
        option["builds"],
        clock_time(option["ready_at"]["p50"]),
        clock_time(option.get("sure_at") or option["ready_at"]["p90"]),
        range_bar(lead["p10"], lead["p50"], lead["p90"], longest),
        duration(option["work_min"]["p50"]),
        duration(option["touch_min"]["p50"]),
        "" if kept is None or not doc.get("due") else share(kept),
    ]


def _stage_table(option: Document) -> RenderableType:
    rows = [
        [stage_name(one["stage"]), duration(one["baseline_min"]), duration(one["p10_min"]), duration(one["p50_min"]),
         duration(one["p90_min"]), duration(one["touch_min"]), one["runs_behind"]]
        for one in option["stages"]
    ]  # fmt: skip
    return table(f"{option['process']} {option['machine']}|>physics|>p10|>p50|>p90|>hands|>runs", rows)


def _stages(names: Sequence[str]) -> str:
    return ", ".join(stage_name(name) for name in names)


def _hours(one: Mapping[str, float]) -> str:
    return f"{one['p50']:.0f} h ({one['p10']:.0f}-{one['p90']:.0f})"
