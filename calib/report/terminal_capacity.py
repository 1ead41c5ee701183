"""How full the shop is, and how many pieces to start, as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from calib.documents.shop import CapacityDocument, Load, Pieces, PiecesDocument
from calib.report.sentences import held_up_by
from calib.report.terminal import as_text, table
from calib.report.units import count, roughly, share

BAR = 20


def show_capacity(doc: CapacityDocument) -> str:
    """What every resource that is used is held for, the bottleneck first, and what waiting for it costs."""
    used = [one for one in doc["resources"] if one["hours_used"] > 0]
    if not used:
        return "Nothing is used by this demand: does the shop file name its machines?"
    changed = {one["resource"]: one for one in doc.get("changed") or ()}
    heads = "resource|~|load|>running|>waiting|>idle|>sooner without" + ("|>changed" if changed else "")
    lines = [f"Load by {doc['demand']}: {count(doc['builds'], 'build')}, {doc['weeks']:g} weeks; hours a week"]
    new = [
        one
        for one in doc.get("changed") or ()
        if one["hours_used"] > 0 and one["resource"] not in {u["resource"] for u in used}
    ]
    rows = [_row(one, changed) for one in used] + [_row(one, {one["resource"]: one}) for one in new]
    idle = len(doc["resources"]) - len(used)
    rest = [f"{count(idle, 'resource')} not used."] if idle else []
    return as_text(*lines, table(heads, rows), bottleneck(used, doc["lead_time_h"]), *_changed(doc), *rest,
                   "Waiting: held by a build that nobody has come for. Sooner without: what a build gains on average if "
                   "nothing has to wait there.", *doc["warnings"])  # fmt: skip


def _row(one: Load, changed: Mapping[str, Load]) -> list[Any]:
    many = f" × {one['servers']}" if one["servers"] > 1 else ""
    cells = [
        one["resource"] + many,
        load_bar(one["load"]),
        share(one["load"]),
        f"{one['running_h']:.0f} h",
        f"{one['waiting_h']:.0f} h",
        f"{one['idle_h']:.0f} h",
        "" if one["sooner_h"] is None else roughly(60 * one["sooner_h"]),
    ]
    if changed:
        cells.append(share(changed[one["resource"]]["load"]) if one["resource"] in changed else "gone")
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
    first, full = used[0], [one for one in used if one["load"] >= 1]
    said = [
        f"{one['resource']} would be in use {share(one['load'])} of its hours: more than there are, so work piles up."
        for one in full
    ]
    return " ".join([held_up_by(first, lead_h), *said])


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
    return "\n".join(_pieces_line(one, doc) for one in doc["processes"])


def _pieces_line(one: Pieces, doc: PiecesDocument) -> str:
    if one["start"] is None or one["yield"] is None:
        return f"{one['process']}: good pieces are not counted yet ({count(one['pieces_behind'], 'piece')})."
    behind = f" from {count(one['pieces_behind'], 'piece')}" if one["pieces_behind"] else ", as given"
    return (
        f"{one['process']}: start {one['start']} to have {doc['good']} good with {share(doc['sure'])} "
        f"(yield {100 * one['yield']:.1f} %{behind})."
    )
