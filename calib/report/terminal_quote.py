"""A quote on a terminal in full: one table to choose from, advice, stages, cautions, the basis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from rich.console import RenderableType

from calib.documents.compare import Out
from calib.documents.quote import Caution, QuoteDocument, QuoteOption, Term, Tie
from calib.documents.spans import Span
from calib.report.terminal import as_text, table
from calib.report.units import chance, duration, figure, joined, stage_name, times
from calib.report.when import clock_time, half_day_time, short_day
from calib.safety import FOLLOW, in_short

BAR = 18
AS_IN_FILE = "as it lies in the file"
MOST_POSES = 6  # of an order of many parts they are in the JSON only
SHOWN = 8
DAYS_WITH_TIME = 14
HARDLY = 0.005
SINGLY = 3  # so many options are named one by one
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
            shown += [_stage_table(option), *_per_day(option)]
    if why:
        shown += [_term_table(option) for option in first_of_each(options)]
    shown += [*warning_lines(options), *(f"Note: {text}" for text in later), *caution_lines(options, stages)]
    shown.append(f"{basis(options[0])} Good until {short_day(doc['valid_until'], doc['start'])}.{_number(doc)}")
    return as_text(*shown, width=WIDTH)


def warning_lines(options: Sequence[QuoteOption]) -> list[str]:
    """What is said of the soonest option of each process, each sentence once."""
    said: dict[str, str] = {}
    for option in first_of_each(options):
        for text in option.get("warnings") or ():
            said.setdefault(text, "Note" if option is options[0] else f"Note ({option['process']})")
    return [f"{who}: {text}" for text, who in said.items()]


def caution_lines(options: Sequence[QuoteOption], stages: bool) -> list[str]:
    """One line for the processes on offer; with ``stages`` every caution once, with the stages that it is for."""
    offered = first_of_each(options)
    if not stages:
        return [in_short(option["process"] for option in offered)]
    named = [f"Caution ({one['process']} {_stages(one['stages'])}): {one['text']}" for one in cautions_of(offered)]
    return [*named, FOLLOW]


def cautions_of(options: Sequence[QuoteOption]) -> list[Caution]:
    """Cautions of options, those of one process and text once, with all the stages that they are for."""
    found: dict[tuple[str, str], dict[str, None]] = {}
    for option in options:
        for one in option.get("cautions") or ():
            key = (one.get("process") or option["process"], one["text"])
            found.setdefault(key, {}).update(dict.fromkeys(one["stages"]))
    return [{"process": process, "text": text, "stages": list(own)} for (process, text), own in found.items()]


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


def parts_asked(doc: QuoteDocument) -> str:
    items = doc.get("items") or ()
    if len(items) > 1:
        return ", ".join(f"{one['quantity']:,} × {one['part']}" for one in items)
    return f"{doc['quantity']:,} × {doc['part']}"


def notes_of(doc: QuoteDocument) -> tuple[list[str], list[str]]:
    """What must be read first (a unit that was assumed), and the rest."""
    notes = [str(text) for text in (*(doc.get("notes") or ()), *(doc.get("warnings") or ()))]
    first = [text for text in notes if " unit" in text.lower()]
    return first, [text for text in notes if text not in first]


def chosen(options: Sequence[QuoteOption]) -> list[QuoteOption]:
    """The SHOWN soonest, and the soonest of each process that is not among them."""
    if len(options) <= SHOWN:
        return list(options)
    kept = [id(option) for option in (*options[:SHOWN], *first_of_each(options))]
    return [option for option in options if id(option) in kept]


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


def usual_cost(option: QuoteOption) -> str:
    cost = option.get("cost")
    return f"{cost['p50']:.0f}" if cost else ""


def currency_of(options: Sequence[QuoteOption]) -> str:
    """That of the first option with a cost; '' where none has."""
    return next((cost["currency"] for option in options if (cost := option.get("cost"))), "")


def option_name(option: QuoteOption) -> str:
    ride = f" ({option['ride']})" if option.get("ride") else ""
    return f"{option['process']} {option['machine']}{ride}"


def about(text: str, lead_h: float, start: str) -> str:
    """A time; of one that is weeks ahead only the day."""
    return short_day(text, start) if lead_h > 24 * DAYS_WITH_TIME else clock_time(text, start)


def promised_words(option: QuoteOption, start: str) -> str:
    """The half day that is promised of an option; of one quoted before half days were kept the minute."""
    return half_day_time(option.get("promised_at") or option.get("sure_at") or option["ready_at"]["p90"], start)


def due_words(due: str, start: str) -> str:
    """
    >>> due_words("2026-12-01T00:00+00:00", "2026-11-25T08:00+00:00")
    'the end of Mon 30 Nov'
    """
    when = datetime.fromisoformat(due)
    if when.hour or when.minute:
        return clock_time(due, start)
    return f"the end of {short_day((when - timedelta(minutes=1)).isoformat(), start)}"


def advice(doc: QuoteDocument) -> str:
    """What to promise, by which option, how surely, and what keeps the date asked for."""
    option, sure = doc["options"][0], doc.get("sure", 0.9)
    kept = times(option.get("promise_chance", sure))
    return " ".join(
        [
            f"Promise {promised_words(option, doc['start'])}: {kept} such jobs are ready by then ({named_option(option)}).",
            *_rivals(doc),
            *about_due(doc),
        ]
    )


def named_option(option: QuoteOption) -> str:
    """
    >>> named_option({"process": "MEX", "machine": "m1", "cost": {"p50": 101.7, "currency": "GBP"}})
    'MEX m1, 102 GBP'
    """
    cost = f", {usual_cost(option)} {currency_of([option])}" if option.get("cost") else ""
    return f"{option['process']} {option['machine']}{cost}"


def when_to_start(doc: QuoteDocument) -> list[str]:
    """A sentence where a later start of the first build is better; none where it starts at once."""
    told = doc.get("start_advice")
    return [told["text"]] if told and told["moved"] else []


def _rivals(doc: QuoteDocument) -> list[str]:
    """Who else keeps the same half day, or how often the first is the first; and where a later promise costs less."""
    if len(doc["options"]) == 1:
        return ["It is the only one that can make this."]
    given = doc.get("promise") or {"ties": (), "cheapest": None}
    lines = []
    if given["ties"]:
        lines.append(ties_line(given["ties"]))
    else:
        other = "process" if len({option["process"] for option in doc["options"]}) > 1 else "machine"
        lines.append(f"{times(doc['soonest']['chance']).capitalize()} times no other {other} is sooner.")
    if given["cheapest"]:
        lines.append(
            f"Cheapest: {half_day_time(given['cheapest']['promised_at'], doc['start'])}, {_short(given['cheapest'])}."
        )
    return lines


def ties_line(ties: Sequence[Tie]) -> str:
    return f"Too close to call: {_listed(ties)} {_keep(ties)} it too."


def about_due(doc: QuoteDocument, short: bool = False) -> list[str]:
    """The options that keep the date asked for best, the cheapest first; ``short`` names that one beside a table."""
    due = doc.get("due")
    if not due:
        return []
    best = max(option["on_time"] or 0.0 for option in doc["options"])
    wanted = f"Wanted by {due_words(due, doc['start'])}:"
    if best < HARDLY:
        return [f"{wanted} no option keeps it."]
    keep: Sequence[Tie | QuoteOption] = doc.get("keep_due") or [
        option for option in doc["options"] if option["on_time"] == best
    ]
    if short and len(keep) > 1 and keep[0]["cost"]:
        return [f"{wanted} {_short(keep[0])} is the cheapest to keep it."]
    cheaper = f"; {_short(keep[0])} is the cheapest" if len(keep) > 1 and keep[0]["cost"] else ""
    return [f"{wanted} {_listed(keep)} {_keep(keep)} it {times(best)} times{cheaper}."]


def _keep(options: Sequence[Tie | QuoteOption]) -> str:
    return "keeps" if len(options) == 1 else "keep"


def _listed(options: Sequence[Tie | QuoteOption]) -> str:
    """
    >>> _listed([{"process": "MEX", "machine": f"m{n}", "cost": None} for n in range(6)])
    'MEX m0, MEX m1, MEX m2 and 3 more'
    """
    names = [_short(option) for option in options]
    if len(names) <= SINGLY + 1:
        return joined(names)
    return f"{', '.join(names[:SINGLY])} and {len(names) - SINGLY} more"


def _short(option: Tie | QuoteOption) -> str:
    """An option as a tie names it, its cost a number; or one of a document that had no ties."""
    cost = option.get("cost")
    usual = cost["p50"] if isinstance(cost, Mapping) else cost
    return f"{option['process']} {option['machine']}" + (f" ({usual:.0f})" if usual else "")


def basis(option: QuoteOption) -> str:
    """How much was learned behind an option.

    >>> basis({"stages": [{"runs_behind": 0}, {"runs_behind": 84}, {"runs_behind": 20}]})
    'Learned from 20 to 84 runs of each stage in your logs; 1 of 3 stages not yet learned: wide.'
    """
    runs = [stage["runs_behind"] for stage in option["stages"]]
    learned = sorted(behind for behind in runs if behind)
    if not learned:
        return "Not yet learned, physics alone: wide."
    few, many = learned[0], learned[-1]
    runs_of = f"{few} to {many} runs" if few < many else f"{many} runs"
    said = f"Learned from {runs_of} of each stage in your logs"
    unlearned = len(runs) - len(learned)
    return f"{said}; {unlearned} of {len(runs)} stages not yet learned: wide." if unlearned else f"{said}."


def _number(doc: QuoteDocument) -> str:
    return (
        f" Accept it: calib accept {doc['quote_id']}; keep it: calib quotes {doc['quote_id']} --keep"
        if doc.get("quote_id")
        else ""
    )


def outside_lines(doc: QuoteDocument) -> list[str]:
    return [
        f"Made outside by {one['id']}: {clock_time(one['ready_at'], doc['start'])}"
        + (f", {one['price']:.0f}" if one.get("price") is not None else "")
        + f" ({one['basis']})."
        for one in doc.get("outside") or ()
    ]


def _out(doc: QuoteDocument) -> list[str]:
    """Machines that are out, those with one reason together."""
    return [f"Out: {', '.join(who)}: {reason}." for reason, who in by_reason(doc.get("out") or ()).items()]


def by_reason(out: Sequence[Out]) -> dict[str, list[str]]:
    """
    >>> by_reason([{"process": "MEX", "machine": "a", "reason": "too small"}] * 2)
    {'too small': ['a (MEX)', 'a (MEX)']}
    """
    reasons: dict[str, list[str]] = {}
    for one in out:
        reasons.setdefault(one["reason"], []).append(f"{one['machine']} ({one['process']})")
    return reasons


def first_of_each(options: Sequence[QuoteOption]) -> list[QuoteOption]:
    """The soonest option of each process."""
    first: dict[str, QuoteOption] = {}
    for option in options:
        first.setdefault(option["process"], option)
    return list(first.values())


def range_bar(low: float, middle: float, high: float, longest: float, width: int = BAR) -> str:
    """A range as text.

    >>> range_bar(2, 4, 8, 10, 10)
    '  --#---'
    """
    at = [min(width - 1, round(value / longest * (width - 1))) if longest > 0 else 0 for value in (low, middle, high)]
    bar = [" "] * at[0] + ["-"] * (at[2] - at[0] + 1)
    bar[at[1]] = "#"
    return "".join(bar)


def _stage_table(option: QuoteOption) -> RenderableType:
    rows = [
        [stage_name(one["stage"]), duration(one["baseline_min"]), duration(one["p50_min"]),
         f"{duration(one['p10_min'])} to {duration(one['p90_min'])}", duration(one["touch_min"]), one["runs_behind"]]
        for one in option["stages"]
    ]  # fmt: skip
    work = option["work_min"]
    rows.append(["all stages", "", duration(work["p50"]), f"{duration(work['p10'])} to {duration(work['p90'])}",
                 duration(option["touch_min"]["p50"]), ""])  # fmt: skip
    heads = f"{option['process']} {option['machine']}, {option['material']}|>physics|>usual|8 of 10|>hands|>runs"
    return table(heads, rows)


def _per_day(option: QuoteOption) -> list[str]:
    a_day = option.get("pieces_per_day")
    return [f"Once the line runs: {pieces_a_day(a_day)}."] if a_day else []


def pieces_a_day(a_day: Span) -> str:
    """
    >>> pieces_a_day({"p10": 25.4, "p50": 29.0, "p90": 31.1}), pieces_a_day({"p10": 0.4, "p50": 0.52, "p90": 0.6})
    ('29 pieces a day (25 to 31)', '0.52 pieces a day (0.40 to 0.60)')
    """
    digits = 0 if a_day["p50"] >= 10 else 1 if a_day["p50"] >= 1 else 2
    low, middle, high = (f"{a_day[name]:,.{digits}f}" for name in ("p10", "p50", "p90"))
    return f"{middle} pieces a day ({low} to {high})"


def _term_table(option: QuoteOption) -> RenderableType:
    """Baseline minutes of one build, before any correction by logs, term by term."""
    head = f"{option['process']} {option['machine']}: stage|term|>minutes|from|source"
    return table(head, [_term_row(term) for term in option["terms"] if term["minutes"] >= 0.05])


def _term_row(term: Term) -> list[str]:
    inputs = ", ".join(
        f"{name} {value:.4g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in term["inputs"].items()
    )
    told = f"{term['formula']} ({inputs})" if inputs else term["formula"]
    return [stage_name(term["stage"]), term["name"], f"{term['minutes']:.1f}", told, term["source"]]


def _stages(names: Sequence[str]) -> str:
    return ", ".join(stage_name(name) for name in names)
