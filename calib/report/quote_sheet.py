"""A quote as one page to print or send: outward (a date and its terms) or inward (stages, hands, cost, basis)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from calib.errors import UsageError
from calib.report.base import render
from calib.report.terminal_quote import advice, basis
from calib.report.units import MONTHS, share, stage_name
from calib.report.when import WEEKDAYS, clock_time

Document = Mapping[str, Any]
EDITIONS = ("outward", "inward")
BAR_WIDTH = 640.0
DAYS_SHOWN = 10
NOON = 12
NARROWER = {
    "waiting": "a fixed slot at the bench for this order",
    "failed builds": "the causes of failed builds, by machine and material",
}


def quote_sheet(quote: Document, edition: str) -> str:
    """HTML of one edition, with everything inside and no script.

    quote : the contract's document with ``drawing``, ``course`` and ``width``
    Raises UsageError for an edition that is not 'outward' or 'inward'.
    """
    if edition not in EDITIONS:
        raise UsageError(f'"{edition}" is not an edition of the quote sheet.', f"Known: {', '.join(EDITIONS)}.")
    option = quote["options"][0]
    return render(
        "quote_sheet.html",
        quote={"quote_id": None, "due": None, "notes": (), **quote},
        option=option,
        edition=edition,
        promise=promise(option["sure_at"], quote["start"]),
        drawing=drawing(quote["drawing"]) if quote.get("drawing") else None,
        bars=range_bars(quote["options"], quote["start"], quote.get("due")),
        ladder=ladder(quote.get("course") or ()),
        ground=ground(option["stages"]),
        included=included(option["stages"]),
        caution=one_caution(option.get("cautions") or ()),
        advice=advice(quote),
        basis=basis(option),
        narrower=[narrower(one) for one in quote.get("width") or ()],
        clock_time=clock_time,
    )


def promise(ready_at: str, start: str) -> str:
    """A date to promise: to the hour within a day, beyond that rounded up to half days.

    >>> promise("2026-12-04T09:20+01:00", "2026-12-01T08:00+01:00")
    'midday of Fri 4 Dec 2026'
    >>> promise("2026-12-04T15:05+01:00", "2026-12-04T08:00+01:00")
    '16:00 on Fri 4 Dec 2026'
    """
    ready = datetime.fromisoformat(ready_at)
    if ready - datetime.fromisoformat(start) <= timedelta(days=1):
        hour = (ready + timedelta(minutes=59)).replace(minute=0)
        return f"{hour:%H:%M} on {_day(hour)}"
    early = ready.hour < NOON or (ready.hour == NOON and ready.minute == 0)
    return f"{'midday' if early else 'the end'} of {_day(ready)}"


def _day(when: datetime) -> str:
    return f"{WEEKDAYS[when.weekday()]} {when.day} {MONTHS[when.month - 1]} {when.year}"


TOLD_OUTSIDE = (
    "design_adaptation", "printing", "support_removal", "support_dissolving", "washing", "post_curing", "part_cleaning",
    "blasting", "sanding", "annealing", "colouring", "assembly", "inspection", "packing",
)  # fmt: skip


def included(stages: Sequence[Document]) -> str:
    """What is done, as far as who receives the parts cares."""
    return ", ".join(stage_name(one["stage"]) for one in stages if one["stage"] in TOLD_OUTSIDE)


def ground(stages: Sequence[Document]) -> str:
    """What a stated chance rests on.

    >>> ground([{"runs_behind": 0}])
    "by reckoning alone: the shop's records do not cover such work yet"
    """
    if any(stage["runs_behind"] for stage in stages):
        return "by the shop's own records"
    return "by reckoning alone: the shop's records do not cover such work yet"


def one_caution(cautions: Sequence[Document]) -> str:
    """One line for who receives the parts."""
    resin = any("resin" in one["text"].lower() for one in cautions)
    if resin:
        return "Parts are washed and cured; skin may still react to cured resin: not for food or lasting skin contact."
    return "Times are estimates for planning; fitness for a load, heat or contact with food was not judged."


def narrower(cause: Document) -> str:
    """What would make the range narrower, for one cause of its width."""
    name, runs = cause["cause"], cause.get("runs_behind")
    remedy = NARROWER.get(name)
    if remedy is None:
        remedy = "its first logged runs" if not runs else f"more than the {runs} runs behind it, or steadier work"
    return f"{stage_name(name)} ({share(cause['share'])} of the variation goes with it): {remedy}"


def drawing(views: Document) -> dict[str, Any]:
    """Three views side by side to one scale, each as one SVG path, with its extents."""
    gap, left = 22.0, 0.0
    total = sum(view["width_mm"] for view in views.values())
    scale = min(150.0 / max(view["height_mm"] for view in views.values()), (600.0 - 3 * gap) / total)
    placed = []
    for name, view in views.items():
        width, height = view["width_mm"] * scale, view["height_mm"] * scale
        path = "".join(
            f"M{left + x1 * scale:.1f} {height - y1 * scale:.1f}L{left + x2 * scale:.1f} {height - y2 * scale:.1f}"
            for (x1, y1), (x2, y2) in view["lines"]
        )
        placed.append({**view, "name": name, "x": left, "w": width, "h": height, "path": path})
        left += max(width, 70.0) + gap + 30
    return {"views": placed, "width": left, "height": max(one["h"] for one in placed) + 46}


def range_bars(options: Sequence[Document], start: str, due: str | None) -> dict[str, Any]:
    """All options on one time axis that starts when the clock does."""
    first = datetime.fromisoformat(start)
    longest = max(option["lead_time_h"]["p90"] for option in options) * 1.04
    due_h = (datetime.fromisoformat(due) - first).total_seconds() / 3600 if due else None
    if due_h is not None:
        longest = max(longest, min(due_h * 1.02, 2 * longest))
    scale = BAR_WIDTH / longest
    rows = [
        {
            "name": f"{option['process']} {option['machine']}",
            "low": option["lead_time_h"]["p10"] * scale,
            "middle": option["lead_time_h"]["p50"] * scale,
            "high": option["lead_time_h"]["p90"] * scale,
            "option": option,
        }
        for option in options
    ]
    shown_due = due_h * scale if due_h is not None and due_h <= longest else None
    return {"rows": rows, "ticks": _ticks(first, longest, scale), "due": shown_due, "width": BAR_WIDTH}


def _ticks(first: datetime, hours: float, scale: float) -> list[dict[str, Any]]:
    days = int(hours // 24) + 1
    every = next(step for step in (1, 2, 7, 14, 28, 91, 364, 10**6) if days / step <= 9)
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    ticks = []
    while (at := (midnight - first).total_seconds() / 3600) < hours * 0.88:
        name = f"{WEEKDAYS[midnight.weekday()]} {midnight.day} {MONTHS[midnight.month - 1]}"
        ticks.append({"x": at * scale, "text": name})
        midnight += timedelta(days=every)
    return ticks


def ladder(course: Sequence[Document]) -> dict[str, Any]:
    """Days side by side, hours downwards, three lanes a day; spans that cross midnight are cut there."""
    days: dict[Any, list[dict[str, Any]]] = {}
    for span in course:
        begin, end = datetime.fromisoformat(span["from"]), datetime.fromisoformat(span["to"])
        end = end.astimezone(begin.tzinfo)
        while begin < end:
            midnight = begin.replace(hour=0, minute=0) + timedelta(days=1)
            until = min(end, midnight)
            days.setdefault(begin.date(), []).append(
                {
                    "lane": span["lane"],
                    "top": begin.hour + begin.minute / 60,
                    "bottom": 24.0 if until == midnight else until.hour + until.minute / 60,
                    "text": f"{stage_name(span['stage'])}, {span['job']}, {begin:%H:%M} to {until:%H:%M}",
                }
            )
            begin = until
    ordered = sorted(days)
    shown = [
        {"name": f"{WEEKDAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]}", "spans": days[day]}
        for day in ordered[:DAYS_SHOWN]
    ]
    return {"days": shown, "more": max(0, len(ordered) - DAYS_SHOWN), "summary": _in_words(course)}


def _in_words(course: Sequence[Document]) -> list[str]:
    """The course as sentences, for who cannot see the drawing."""
    return [
        f"{clock_time(span['from'])} to {clock_time(span['to'])}: {stage_name(span['stage'])} "
        f"({span['lane']}, {span['job']})"
        for span in course[:60]
    ]
