"""How full the shop is, pieces to start, and today's shop beside a changed one, as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import RenderableType

from calib.documents.shop import (
    Best,
    CapacityDocument,
    Load,
    Pieces,
    PiecesDocument,
    Side,
    WhatIfOption,
    WhatIfOrder,
    WhatIfWeeks,
)
from calib.documents.spans import Span
from calib.report.quote_sentences import by_reason, hours
from calib.report.sentences import held_up_by
from calib.report.terminal import as_text, table
from calib.report.terminal_quote import WIDTH
from calib.report.units import chance, count, duration, roughly, share, times

BAR = 20


def show_capacity(doc: CapacityDocument) -> str:
    """What every resource that is used is held for, the bottleneck first, and what waiting for it costs."""
    used = [load for load in doc["resources"] if load["hours_used"] > 0]
    if not used:
        return "Nothing is used by this demand: does the shop file name its machines?"
    changed = {load["resource"]: load for load in doc.get("changed") or ()}
    heads = "resource|~|load|>running|>waiting|>idle|>sooner without" + ("|>changed" if changed else "")
    lines = [f"Load by {doc['demand']}: {count(doc['builds'], 'build')} printed, {doc['weeks']:g} weeks; hours a week"]
    new = [
        load
        for load in doc.get("changed") or ()
        if load["hours_used"] > 0 and load["resource"] not in {u["resource"] for u in used}
    ]
    rows = [_row(load, changed) for load in used] + [_row(load, {load["resource"]: load}) for load in new]
    idle = len(doc["resources"]) - len(used)
    rest = [f"{count(idle, 'resource')} not used."] if idle else []
    return as_text(*lines, table(heads, rows), bottleneck(used, doc["lead_time_h"]), *_changed(doc), *rest,
                   "Waiting: held by a build that nobody has come for. Sooner without: what a build gains on average if "
                   "nothing has to wait there.", *doc["warnings"])  # fmt: skip


def _row(load: Load, changed: Mapping[str, Load]) -> list[Any]:
    many = f" × {load['servers']}" if load["servers"] > 1 else ""
    cells = [
        load["resource"] + many,
        load_bar(load["load"]),
        share(load["load"]),
        f"{load['running_h']:.0f} h",
        f"{load['waiting_h']:.0f} h",
        f"{load['idle_h']:.0f} h",
        "" if load["sooner_h"] is None else roughly(60 * load["sooner_h"]),
    ]
    if changed:
        cells.append(share(changed[load["resource"]]["load"]) if load["resource"] in changed else "gone")
    return cells


def load_bar(load: float, width: int = BAR) -> str:
    """
    >>> load_bar(0.5, 10), load_bar(1.3, 10)
    ('#####.....', '#########>')
    """
    if load > 1:
        return "#" * (width - 1) + ">"
    full = round(load * width)
    return "#" * full + "." * (width - full)


def bottleneck(used: Sequence[Load], lead_h: float) -> str:
    """What builds wait for most, with what that costs; and what is asked for more than it can do."""
    first, full = used[0], [resource for resource in used if resource["load"] >= 1]
    overfull = [
        f"{resource['resource']} would be in use {share(resource['load'])} of its hours: more than there are, so work piles up."
        for resource in full
    ]
    return " ".join([held_up_by(first, lead_h), *overfull])


def _changed(doc: CapacityDocument) -> list[str]:
    changed, after = doc.get("changed"), doc.get("changed_lead_time_h")
    if not changed or after is None:
        return []
    first, before = changed[0], doc["lead_time_h"]
    return [
        f"With the patch a build is ready after {roughly(60 * after)} on average, not {roughly(60 * before)}. "
        f"{held_up_by(first, after)}"
    ]


def show_pieces(doc: PiecesDocument) -> str:
    return "\n".join(_pieces_line(process_row, doc) for process_row in doc["processes"])


def _pieces_line(pieces: Pieces, doc: PiecesDocument) -> str:
    if pieces["start"] is None or pieces["yield"] is None:
        return f"{pieces['process']}: good pieces are not counted yet ({count(pieces['pieces_behind'], 'piece')})."
    behind = f" from {count(pieces['pieces_behind'], 'piece')}" if pieces["pieces_behind"] else ", as given"
    return (
        f"{pieces['process']}: start {pieces['start']} to have {doc['good']} good, {times(doc['sure'])} times "
        f"(yield {100 * pieces['yield']:.1f} %{behind})."
    )


NOTICED_H = 0.1
TIGHTEST = 8
SAME = "the same"
LOOK_FIRST = "LOOK FIRST"


def show_what_if_order(doc: WhatIfOrder) -> str:
    """Options that the change moves, what is gained and how surely; then who must be on site."""
    moved = [option for option in doc["options"] if _gain(option["sooner_h"]) != SAME]
    heads = "option|>today|>changed|>sooner by|>chance sooner|>hands today|>changed"
    same = len(doc["options"]) - len(moved)
    return as_text(
        *look_first(doc),
        f"{doc['quantity']} × {doc['part']}: time until all are ready, today beside the changed shop; ranges hold 8 of 10 times",
        *([table(heads, [_option_row(option) for option in moved])] if moved else []),
        *([f"{count(same, 'option')} {'stays' if same == 1 else 'stay'} as today."] if same else []),
        gain_sentence(doc["soonest"]),
        *(f"Out: {', '.join(who)}: {reason}." for reason, who in by_reason(doc.get("out") or ()).items()),
        *_foot(doc),
        width=WIDTH,
    )


def _option_row(option: WhatIfOption) -> list[Any]:
    today, changed = option["today"], option["changed"]
    ride = " (along)" if option.get("ride_along") else ""
    return [
        f"{option['process']} {option['machine']}{ride}",
        _lead(today),
        _lead(changed),
        _gain(option["sooner_h"]),
        chance(option["chance_sooner"]) if option["chance_sooner"] is not None else "",
        duration(today["touch_min"]["p50"]) if today else "",
        duration(changed["touch_min"]["p50"]) if changed else "",
    ]


def _lead(side: Side | None) -> str:
    return _range(side["lead_time_h"]) if side else "none"


def _range(span: Span) -> str:
    return f"{hours(span['p50'])} ({hours(span['p10'])} to {hours(span['p90'])})"


def _gain(span: Span | None) -> str:
    """
    >>> _gain({"p10": 0.0, "p50": 5.0, "p90": 80.0}), _gain({"p10": -0.01, "p50": 0.0, "p90": 0.02})
    ('5 h (0 h to 3.5 d)', 'the same')
    >>> _gain({"p10": -2.0, "p50": 0.04, "p90": 5.0}), _gain({"p10": -9.0, "p50": -3.0, "p90": 1.0})
    ('no sooner (−2 h to 5 h)', '3 h later (−9 h to 1 h)')
    """
    if span is None:
        return ""
    if max(abs(span["p10"]), abs(span["p90"])) < NOTICED_H:
        return SAME
    middle = span["p50"]
    usual = "no sooner" if abs(middle) < NOTICED_H else hours(middle) if middle > 0 else f"{hours(-middle)} later"
    return f"{usual} ({signed(span['p10'])} to {signed(span['p90'])})"


def signed(value: float) -> str:
    return f"−{hours(-value)}" if value <= -NOTICED_H else hours(abs(value))


def gain_sentence(best: Best) -> str:
    """What the change does to the soonest date."""
    today, changed = best["today"], best["changed"]
    if changed is None:
        return "In the changed shop nothing can make this."
    if today is None:
        return f"Today nothing can make this; with the change {_who(changed)} is ready after {hours(changed['lead_time_h']['p50'])}."
    soonest = (
        f"Soonest today: {_who(today)} after {hours(today['lead_time_h']['p50'])}; with the change {_who(changed)} after "
        f"{hours(changed['lead_time_h']['p50'])}"
    )
    if _gain(best["sooner_h"]) == SAME:
        return f"{soonest}: it changes nothing here."
    return f"{soonest}: sooner with a chance of {chance(best['chance_sooner'])}, later with {chance(best['chance_later'])}."


def _who(side: Side) -> str:
    return f"{side['process']} on {side['machine']}"


def show_what_if_weeks(doc: WhatIfWeeks) -> str:
    """The last weeks' builds through both shops: time from release to done, and load of what is tightest."""
    flows = [("all", doc), *((flow["process"], flow) for flow in doc["by_process"])]
    heads = "builds|>today|>changed|>sooner by|>chance sooner"
    rows = [
        [name, _range(flow["turnaround_h"]["today"]), _range(flow["turnaround_h"]["changed"]), _gain(flow["sooner_h"]),
         chance(flow["chance_sooner"])]
        for name, flow in flows
    ]  # fmt: skip
    return as_text(
        *look_first(doc),
        f"{doc['demand'].capitalize()}: {count(doc['builds'], 'build')} through today's shop and the changed one; "
        "mean time from release to done, ranges hold 8 of 10 times",
        table(heads, rows),
        _loads(doc["resources"]),
        *_foot(doc),
    )


def _loads(resources: dict[str, list[Load]]) -> RenderableType:
    """Load today and changed of what is tightest in either."""
    today = {load["resource"]: load["load"] for load in resources["today"]}
    changed = {load["resource"]: load["load"] for load in resources["changed"]}
    names = sorted({*today, *changed}, key=lambda name: -max(today.get(name, 0.0), changed.get(name, 0.0)))
    rows = [[name, *_load(today.get(name)), *_load(changed.get(name))] for name in names[:TIGHTEST]]
    return table("resource|load today|>|load changed|>", rows)


def _load(load: float | None) -> list[str]:
    return ["", "none"] if load is None else [load_bar(load, 12), share(load)]


def look_first(doc: WhatIfOrder | WhatIfWeeks) -> list[str]:
    """What the answer rests on and only the patch states: before the answer."""
    return [text for text in doc["warnings"] if text.startswith(LOOK_FIRST)]


def _foot(doc: WhatIfOrder | WhatIfWeeks) -> list[str]:
    warnings = [str(text) for text in doc["warnings"] if not text.startswith(LOOK_FIRST)]
    return [*(f"On site: {text}" for text in doc["on_site"]), *warnings]
