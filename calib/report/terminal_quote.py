"""A quote on a terminal in full: one table to choose from, advice, stages, cautions, the basis."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from rich.console import RenderableType

from calib.documents.compare import Caution
from calib.documents.quote import QuoteDocument, QuoteOption, Term
from calib.report.quote_sentences import (
    advice,
    basis,
    by_reason,
    cautions_of,
    currency_of,
    due_words,
    first_of_each,
    from_gaps,
    notes_of,
    option_name,
    outside_lines,
    parts_asked,
    pieces_a_day,
    promised_words,
    usual_cost,
    warning_lines,
    when_to_start,
)
from calib.report.terminal import as_text, table
from calib.report.units import (
    between,
    chance,
    clock_time,
    duration,
    figure,
    short_day,
    stage_name,
    times,
    usual_time,
    within,
)
from calib.safety import FOLLOW, in_short

BAR = 18
AS_IN_FILE = "as it lies in the file"
MOST_POSES = 6  # of an order of many parts they are in the JSON only
DAYS_WITH_TIME = 14
WIDTH = 130  # characters


def show_quote(doc: QuoteDocument, stages: bool = False, why: bool = False) -> str:
    """The options, soonest first, with every note; with ``stages`` what each stage takes, with ``why`` the terms."""
    options = doc["options"]
    first, later = notes_of(doc)
    shown: list[RenderableType] = [*first, headline(doc), _option_table(doc, options)]
    shown += [advice(doc), *when_to_start(doc), *outside_lines(doc), *_out(doc)]
    if stages:
        shown += _pose_lines(options)
        for option in first_of_each(options):
            shown += [_stage_table(option), *from_gaps(option["stages"]), *_per_day(option)]
    if why:
        shown += [_term_table(option) for option in first_of_each(options)]
    shown += [*warning_lines(options), *(f"Note: {text}" for text in later), *caution_lines(options, stages)]
    shown.append(f"{basis(options[0])} Good until {short_day(doc['valid_until'], doc['start'])}.{_number(doc)}")
    return as_text(*shown, width=WIDTH)


def caution_lines(options: Sequence[QuoteOption], stages: bool) -> list[str]:
    """One line for the processes on offer; with ``stages`` every caution once, with the stages that it is for."""
    offered = first_of_each(options)
    if not stages:
        return [in_short(option["process"] for option in offered)]
    return in_full(cautions_of(offered))


def in_full(cautions: Sequence[Caution]) -> list[str]:
    """Every caution with the stages that it is for."""
    named = [f"Caution ({caution['process']} {_stages(caution['stages'])}): {caution['text']}" for caution in cautions]
    return [*named, FOLLOW]


def _pose_lines(options: Sequence[QuoteOption]) -> list[str]:
    """How each process lays the parts, where that differs from how they lie in their files."""
    lines = []
    for option in first_of_each(options):
        for pose in option.get("poses") or ():
            if pose["lies"] == AS_IN_FILE and not pose["fixed"]:
                continue
            size = " × ".join(f"{round(side, 1):g}" for side in pose["size_mm"])
            held = f"; supports {figure(pose['support_cm3'])} cm³" if pose["support_cm3"] > 0 else ""
            lying = "" if pose["lies"] == AS_IN_FILE else "lying "
            why = ", fixed" if pose["fixed"] else ""
            lines.append(f"{option['process']} prints {pose['part']} {lying}{pose['lies']}{why} ({size} mm{held}).")
    return lines if len(lines) <= MOST_POSES else []


def headline(doc: QuoteDocument) -> str:
    """What is asked for, and what the ranges mean."""
    start = clock_time(doc["start"], datetime.now().isoformat())
    return f"{what_is_asked(doc)}. Start: {start}. 8 of 10 such jobs end inside the range."


def what_is_asked(doc: QuoteDocument) -> str:
    what = parts_asked(doc)
    due = doc.get("due")
    return f"{what}, wanted by {due_words(due, doc['start'])}" if due else what


def _option_table(doc: QuoteDocument, options: Sequence[QuoteOption]) -> RenderableType:
    low = min(option["lead_time_h"]["p10"] for option in options)
    high = max(option["lead_time_h"]["p90"] for option in options)
    currency = currency_of(options)
    heads = f"option|>builds|usually ready|{times(doc.get('sure', 0.9))} by|~range|>hands"
    heads += ("|>in time" if doc.get("due") else "") + (f"|>{currency}" if currency else "")
    return table(heads, [_row(option, low, high, doc, bool(currency)) for option in options])


def _row(option: QuoteOption, low: float, high: float, doc: QuoteDocument, priced: bool) -> list[Any]:
    lead = option["lead_time_h"]
    cells = [
        option_name(option),
        option["builds"],
        about(option["ready_at"]["p50"], lead["p50"], doc["start"]),
        promised_words(option, doc["start"]),
        range_bar(lead["p10"] - low, lead["p50"] - low, lead["p90"] - low, high - low),
        duration(option["touch_min"]["p50"]),
    ]
    if doc.get("due"):
        cells.append(chance(option["on_time"]))
    if priced:
        cells.append(usual_cost(option))
    return cells


def about(text: str, lead_h: float, start: str) -> str:
    """A usual time, to the half hour; of one that is weeks ahead only the day."""
    return short_day(text, start) if lead_h > 24 * DAYS_WITH_TIME else usual_time(text, start)


def _number(doc: QuoteDocument) -> str:
    return (
        f" Accept it: calib accept {doc['quote_id']}; keep it: calib quotes {doc['quote_id']} --keep"
        if doc.get("quote_id")
        else ""
    )


def _out(doc: QuoteDocument) -> list[str]:
    """Machines that are out, those with one reason together."""
    return [f"Out: {', '.join(who)}: {reason}." for reason, who in by_reason(doc.get("out") or ()).items()]


def range_bar(low: float, middle: float, high: float, longest: float, width: int = BAR) -> str:
    """A range as text.

    >>> range_bar(2, 4, 8, 10, 10)
    '  --#---'
    """
    places = [
        min(width - 1, round(value / longest * (width - 1))) if longest > 0 else 0 for value in (low, middle, high)
    ]
    bar = [" "] * places[0] + ["-"] * (places[2] - places[0] + 1)
    bar[places[1]] = "#"
    return "".join(bar)


def _stage_table(option: QuoteOption) -> RenderableType:
    rows = [
        [stage_name(stage["stage"]) + (" *" if stage.get("from_gaps") else ""), duration(stage["baseline_min"]), within(stage["p50_min"], stage["p10_min"], stage["p90_min"]),
         between(stage["p10_min"], stage["p90_min"]), duration(stage["touch_min"]), stage["runs_behind"]]
        for stage in option["stages"]
    ]  # fmt: skip
    work = option["work_min"]
    rows.append(["all stages", "", within(work["p50"], work["p10"], work["p90"]), between(work["p10"], work["p90"]),
                 duration(option["touch_min"]["p50"]), ""])  # fmt: skip
    heads = f"{option['process']} {option['machine']}, {option['material']}|>physics|>usual|8 of 10 times|>hands|>runs"
    return table(heads, rows)


def _per_day(option: QuoteOption) -> list[str]:
    a_day = option.get("pieces_per_day")
    return [f"Once the line runs: {pieces_a_day(a_day)}."] if a_day else []


def _term_table(option: QuoteOption) -> RenderableType:
    """Baseline minutes of one build, before any correction by logs, term by term."""
    head = f"{option['process']} {option['machine']}: stage|term|>minutes|from|source"
    return table(head, [_term_row(term) for term in option["terms"] if term["minutes"] >= 0.05])


def _term_row(term: Term) -> list[str]:
    inputs = ", ".join(
        f"{name} {value:.4g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in term["inputs"].items()
    )
    formula = f"{term['formula']} ({inputs})" if inputs else term["formula"]
    return [stage_name(term["stage"]), term["name"], f"{term['minutes']:.1f}", formula, term["source"]]


def _stages(names: Sequence[str]) -> str:
    return ", ".join(stage_name(name) for name in names)
