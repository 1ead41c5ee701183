"""A comparison over quantities on a terminal: which process is soonest where, and where that flips."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import RenderableType

from calib.report.terminal import as_text, table
from calib.report.terminal_quote import by_reason
from calib.report.units import chance, count, duration
from calib.safety import in_short

Document = Mapping[str, Any]
SHOWN = 12


def show_compare(doc: Document) -> str:
    """Each process by its soonest machines: time for all, to the first part, hands for each part; then the flips."""
    lines = process_lines(doc["options"])
    quantities = thinned(doc["quantities"], [one["quantity"] for one in doc.get("flips") or ()])
    shown: list[RenderableType] = [
        f"{doc.get('part', '')}: time until all are ready, usual and 8 of 10 times; * soonest".removeprefix(": "),
        _times_table(lines, quantities),
        "Usual time to the first finished part, and a person's time for each part",
        _further_table(lines, quantities),
        *flip_sentences(doc),
    ]
    left = len(doc["quantities"]) - len(quantities)
    shown += [f"{left} quantities between are in --json, and on the page of --page."] if left else []
    shown += [f"Out: {', '.join(who)}: {reason}." for reason, who in by_reason(doc.get("out") or ()).items()]
    shown += [str(text) for text in (*(doc.get("notes") or ()), *(doc.get("warnings") or ()))]
    return as_text(*shown, in_short(lines))


def process_lines(options: Sequence[Document]) -> dict[str, Document]:
    """Of each process the line of all its machines together, which is named last."""
    return {option["process"]: option for option in options}


def thinned(quantities: Sequence[int], flips: Sequence[int]) -> list[int]:
    """At most about SHOWN of them, evenly spread, the ends and the flips among them.

    >>> thinned(list(range(1, 61)), [8])[:5]
    [1, 6, 8, 12, 17]
    """
    if len(quantities) <= SHOWN:
        return list(quantities)
    step = (len(quantities) - 1) / (SHOWN - 1)
    kept = {quantities[round(place * step)] for place in range(SHOWN)} | set(flips)
    return sorted(kept)


def _times_table(lines: Mapping[str, Document], quantities: Sequence[int]) -> RenderableType:
    rows = []
    for quantity in quantities:
        first = soonest_at(lines, quantity)
        cells = [_time(at(line["lead_time_h"], quantity), process == first) for process, line in lines.items()]
        rows.append([quantity, *cells])
    return table(">parts|" + "|".join(f">{process}" for process in lines), rows)


def _further_table(lines: Mapping[str, Document], quantities: Sequence[int]) -> RenderableType:
    heads = [*(f">first: {process}" for process in lines), *(f">hands: {process}" for process in lines)]
    rows = [
        [
            quantity,
            *(_middle(line.get("first_part_h"), quantity, hours) for line in lines.values()),
            *(_middle(line.get("touch_per_part_min"), quantity, duration) for line in lines.values()),
        ]
        for quantity in quantities
    ]
    return table(">parts|" + "|".join(heads), rows)


def at(values: Sequence[Document] | None, quantity: int) -> Document | None:
    return next((one for one in values or () if one["quantity"] == quantity), None)


def _middle(values: Sequence[Document] | None, quantity: int, word: Any) -> str:
    one = at(values, quantity)
    return word(one["p50"]) if one else ""


def _time(one: Document | None, is_first: bool) -> str:
    if one is None:
        return ""
    return f"{hours(one['p50'])} ({hours(one['p10'])} to {hours(one['p90'])}){'*' if is_first else ' '}"


def hours(value: float) -> str:
    """Hours up to three days, then days of 24 hours.

    >>> hours(5.2), hours(44.4), hours(133)
    ('5 h', '44 h', '5.5 d')
    """
    return f"{value:.0f} h" if value < 72 else f"{value / 24:.1f}".removesuffix(".0") + " d"


def flip_sentences(doc: Document) -> list[str]:
    """Which process is soonest, and where another one becomes it, with the chance that it is."""
    lines, flips, fewest = process_lines(doc["options"]), doc.get("flips") or (), doc["quantities"][0]
    first = soonest_at(lines, fewest)
    if len(lines) == 1:
        return [f"{first} is the only process that can make it."]
    if not flips:
        return [f"{first} is soonest at all these quantities."]
    return [
        f"For {count(fewest, 'part')} {first} is soonest.",
        *(
            f"From {one['quantity']} parts on {one['to']} is soonest, not {one['from']} (chance {chance(one['chance'])})."
            for one in flips
        ),
    ]


def soonest_at(lines: Mapping[str, Document], quantity: int) -> str | None:
    """The process with the earliest usual date."""
    found = {process: at(line["lead_time_h"], quantity) for process, line in lines.items()}
    known = {process: one["p50"] for process, one in found.items() if one}
    return min(known, key=known.__getitem__) if known else None
