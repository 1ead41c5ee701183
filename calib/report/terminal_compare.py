"""A comparison over quantities on a terminal: which process is first where, and where it is too close to call."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import RenderableType

from calib.documents.compare import AtQuantity, CompareDocument, CompareLine, Zone
from calib.report.terminal import as_text, table
from calib.report.terminal_quote import by_reason
from calib.report.units import count, duration, joined, times
from calib.safety import in_short

SHOWN = 12


def show_compare(doc: CompareDocument) -> str:
    """Each process by its soonest machines: time for all, to the first part, hands for each part; then the zones."""
    lines = process_lines(doc["options"])
    quantities = thinned(doc["quantities"], [one["from"] for one in doc.get("zones") or ()])
    shown: list[RenderableType] = [
        f"{doc.get('part', '')}: time until all are ready, usual and 8 of 10 times; * first by a clear chance".removeprefix(
            ": "
        ),
        _times_table(lines, quantities, doc.get("zones") or ()),
        "Usual time to the first finished part, and a person's time for each part",
        _further_table(lines, quantities),
        *zone_sentences(doc),
    ]
    left = len(doc["quantities"]) - len(quantities)
    shown += [f"{left} more quantities: --page FILE."] if left else []
    shown += [f"Out: {', '.join(who)}: {reason}." for reason, who in by_reason(doc.get("out") or ()).items()]
    shown += [str(text) for text in (*(doc.get("notes") or ()), *(doc.get("warnings") or ()))]
    return as_text(*shown, in_short(lines))


def process_lines(options: Sequence[CompareLine]) -> dict[str, CompareLine]:
    """Of each process the line of all its machines together, which is named last."""
    return {option["process"]: option for option in options}


def thinned(quantities: Sequence[int], starts: Sequence[int]) -> list[int]:
    """At most about SHOWN of them, evenly spread, the ends and the starts of zones among them.

    >>> thinned(list(range(1, 61)), [8])[:5]
    [1, 6, 8, 12, 17]
    """
    if len(quantities) <= SHOWN:
        return list(quantities)
    step = (len(quantities) - 1) / (SHOWN - 1)
    kept = {quantities[round(place * step)] for place in range(SHOWN)} | set(starts)
    return sorted(kept)


def _times_table(lines: Mapping[str, CompareLine], quantities: Sequence[int], zones: Sequence[Zone]) -> RenderableType:
    rows = []
    for quantity in quantities:
        first = first_at(zones, quantity)
        cells = [_time(at(line["lead_time_h"], quantity), process == first) for process, line in lines.items()]
        rows.append([quantity, *cells])
    return table(">parts|" + "|".join(f">{process}" for process in lines), rows)


def _further_table(lines: Mapping[str, CompareLine], quantities: Sequence[int]) -> RenderableType:
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


def at(values: Sequence[AtQuantity] | None, quantity: int) -> AtQuantity | None:
    return next((one for one in values or () if one["quantity"] == quantity), None)


def _middle(values: Sequence[AtQuantity] | None, quantity: int, word: Any) -> str:
    one = at(values, quantity)
    return word(one["p50"]) if one else ""


def _time(one: AtQuantity | None, is_first: bool) -> str:
    if one is None:
        return ""
    return f"{hours(one['p50'])} ({hours(one['p10'])} to {hours(one['p90'])}){'*' if is_first else ' '}"


def hours(value: float) -> str:
    """Hours up to three days, then days of 24 hours, to the half day.

    >>> hours(5.2), hours(44.4), hours(133), hours(74.4)
    ('5 h', '44 h', '5.5 d', '3 d')
    """
    return f"{value:.0f} h" if value < 72 else f"{round(value / 12) / 2:g} d"


def zone_sentences(doc: CompareDocument) -> list[str]:
    """From which quantity to which one process is first, and where it is too close to call."""
    zones = doc.get("zones") or ()
    if len(process_lines(doc["options"])) == 1:
        return [f"{doc['options'][0]['process']} is the only process that can make it."]
    return [f"{_span(zone, zones)}: {_who_is_first(zone)}." for zone in zones]


def _span(zone: Zone, zones: Sequence[Zone]) -> str:
    if len(zones) == 1:
        return "At all these quantities"
    if zone is zones[-1]:
        return f"From {count(zone['from'], 'part')} on"
    return count(zone["to"], "part") if zone["from"] == zone["to"] else f"{zone['from']} to {zone['to']} parts"


def _who_is_first(zone: Zone) -> str:
    """
    >>> _who_is_first({"first": "PBF", "chance": 0.753}), _who_is_first({"first": None, "contenders": ["MEX", "VPP"]})
    ('PBF first, 75 of 100 times or more', 'too close to call between MEX and VPP')
    """
    if zone["first"] is None:
        return f"too close to call between {joined(zone['contenders'])}"
    return f"{zone['first']} first, {times(zone['chance'])} times or more"


def first_at(zones: Sequence[Zone], quantity: int) -> str | None:
    """The process that is first by a clear chance; None where it is too close to call."""
    return next((zone["first"] for zone in zones if zone["from"] <= quantity <= zone["to"]), None)
