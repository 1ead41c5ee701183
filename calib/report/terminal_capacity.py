"""How full the shop is, and how many pieces to start, as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from calib.report.terminal import as_text, table
from calib.report.units import count, duration, share

Document = Mapping[str, Any]
BAR = 20
TIGHT = 0.8  # from about here on waiting grows quickly
KINDS = {"machine": "machine", "station": "place", "crew": "person"}


def show_capacity(doc: Document) -> str:
    """Load of every resource that is used, the tightest first; the bottleneck; what one more would give."""
    used = [one for one in doc["resources"] if one["hours_used"] > 0]
    if not used:
        return "Nothing is used by this demand: does the shop file name its machines?"
    changed = {one["resource"]: one for one in doc.get("changed") or ()}
    heads = "resource||load|>used a week|>there|>wait|>with one more" + ("|>changed" if changed else "")
    lines = [f"Load by {doc['demand']}: {count(doc['builds'], 'build')}, {doc['weeks']:g} weeks"]
    new = [
        one
        for one in doc.get("changed") or ()
        if one["hours_used"] > 0 and one["resource"] not in {u["resource"] for u in used}
    ]
    rows = [_row(one, changed) for one in used] + [_row(one, {one["resource"]: one}) for one in new]
    idle = len(doc["resources"]) - len(used)
    rest = [f"{count(idle, 'resource')} not used."] if idle else []
    return as_text(*lines, table(heads, rows), bottleneck(used), *_changed(doc), *rest,
                   "Waits are means by formula for work that comes at random; planned work waits less.", *doc["warnings"])  # fmt: skip


def _row(one: Document, changed: Mapping[str, Document]) -> list[Any]:
    many = f" × {one['servers']}" if one["servers"] > 1 else ""
    cells = [
        one["resource"] + many,
        load_bar(one["load"]),
        share(one["load"]),
        f"{one['hours_used']:.0f} h",
        f"{one['hours_there']:.0f} h",
        _wait(one["wait_h"]),
        _wait(one["wait_h_one_more"]),
    ]
    if changed:
        cells.append(share(changed[one["resource"]]["load"]) if one["resource"] in changed else "gone")
    return cells


def _wait(hours: float | None) -> str:
    return "without end" if hours is None else duration(60 * hours)


def load_bar(load: float, width: int = BAR) -> str:
    """
    >>> load_bar(0.5, 10), load_bar(1.3, 10)
    ('#####.....', '#########>')
    """
    if load > 1:
        return "#" * (width - 1) + ">"
    full = round(load * width)
    return "#" * full + "." * (width - full)


def bottleneck(used: Sequence[Document]) -> str:
    """The tightest resource and what one more of it would do."""
    first = used[0]
    kind = KINDS[first["kind"]]
    said = f"The bottleneck is {first['resource']}, used {share(first['load'])} of its hours"
    if first["wait_h"] is None:
        return f"{said}: more than it can do, so work piles up without end. One {kind} more: wait {_wait(first['wait_h_one_more'])}."
    tight = "" if first["load"] >= TIGHT else "; nothing is tight"
    return f"{said}{tight}. One {kind} more would cut the mean wait there from {_wait(first['wait_h'])} to {_wait(first['wait_h_one_more'])}."


def _changed(doc: Document) -> list[str]:
    if not doc.get("changed"):
        return []
    first = doc["changed"][0]
    return [f"With the patch the bottleneck is {first['resource']}, used {share(first['load'])} of its hours."]


def show_pieces(doc: Document) -> str:
    return "\n".join(_pieces_line(one, doc) for one in doc["processes"])


def _pieces_line(one: Document, doc: Document) -> str:
    if one["start"] is None:
        return f"{one['process']}: good pieces are not counted yet ({count(one['pieces_behind'], 'piece')})."
    behind = f" from {count(one['pieces_behind'], 'piece')}" if one["pieces_behind"] else ", as given"
    return (
        f"{one['process']}: start {one['start']} to have {doc['good']} good with {share(doc['sure'])} "
        f"(yield {100 * one['yield']:.1f} %{behind})."
    )
