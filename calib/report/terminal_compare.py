"""A comparison over quantities on a terminal: which process is first where, and where it is too close to call."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import RenderableType

from calib.documents.compare import AtQuantity, CompareDocument, CompareLine, Zone
from calib.report.quote_sentences import by_reason, first_at, hours, process_lines, zone_sentences
from calib.report.terminal import as_text, table
from calib.report.units import duration
from calib.safety import in_short

SHOWN = 12


def show_compare(doc: CompareDocument) -> str:
    """Each process by its soonest machines: time for all, to the first part, hands for each part; then the zones."""
    lines = process_lines(doc["options"])
    quantities = thinned(doc["quantities"], [zone["from"] for zone in doc.get("zones") or ()])
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
    shown += [f"{left} more quantities: --page FILE."] if left and "page" not in doc else []
    shown += [f"Out: {', '.join(who)}: {reason}." for reason, who in by_reason(doc.get("out") or ()).items()]
    shown += [str(text) for text in (*(doc.get("notes") or ()), *(doc.get("warnings") or ()))]
    shown += [in_short(lines), *([f"Page: {doc['page']}"] if "page" in doc else [])]
    return as_text(*shown)


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
        cells = [_time(value_at(line["lead_time_h"], quantity), process == first) for process, line in lines.items()]
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


def value_at(values: Sequence[AtQuantity] | None, quantity: int) -> AtQuantity | None:
    return next((value for value in values or () if value["quantity"] == quantity), None)


def _middle(values: Sequence[AtQuantity] | None, quantity: int, word: Any) -> str:
    one = value_at(values, quantity)
    return word(one["p50"]) if one else ""


def _time(value: AtQuantity | None, is_first: bool) -> str:
    if value is None:
        return ""
    return f"{hours(value['p50'])} ({hours(value['p10'])} to {hours(value['p90'])}){'*' if is_first else ' '}"
