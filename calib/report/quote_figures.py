"""What is drawn on a quote sheet and on the page of a comparison: places in px of bars, curves, views and the typical schedule."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from itertools import cycle
from math import log
from typing import Any, TypedDict

from calib.documents.compare import AtQuantity, CompareDocument, Measure
from calib.documents.quote import Course, QuoteOption, View
from calib.report.charts import Height, Tick
from calib.report.quote_sentences import process_lines
from calib.report.units import MONTHS, clock_time, short_day, stage_name

BAR_WIDTH = 320.0
MOST_TICKS = 4
ROOM_FOR_A_DAY = 72.0  # px
STEPS = (1, 2, 4, 7, 14, 28, 56, 91, 182, 364, 728, 10**6)  # days between ticks


class Bar(TypedDict):
    option: QuoteOption
    low: float
    middle: float
    high: float


class RangeBars(TypedDict):
    rows: list[Bar]
    ticks: list[Tick]
    due: float | None
    width: float


def range_bars(options: Sequence[QuoteOption], start: str, due: str | None) -> RangeBars:
    """Rows with low, middle and high [px] on an axis from the midnight before the first range; ticks; the due time."""
    clock = datetime.fromisoformat(start)
    soonest = clock + timedelta(hours=min(option["lead_time_h"]["p10"] for option in options))
    latest = clock + timedelta(hours=max(option["lead_time_h"]["p90"] for option in options))
    asked = datetime.fromisoformat(due) if due else None
    if asked is not None and asked - latest < latest - soonest:
        soonest, latest = min(soonest, asked), max(latest, asked)
    first = max(clock, soonest.replace(hour=0, minute=0, second=0, microsecond=0))
    hours = (latest - first).total_seconds() / 3600 * 1.03
    scale = BAR_WIDTH / hours
    from_clock = (first - clock).total_seconds() / 3600

    def place_of(lead_h: float) -> float:
        return (lead_h - from_clock) * scale

    rows: list[Bar] = [
        {
            "option": option,
            "low": place_of(option["lead_time_h"]["p10"]),
            "middle": place_of(option["lead_time_h"]["p50"]),
            "high": place_of(option["lead_time_h"]["p90"]),
        }
        for option in options
    ]
    x = place_of((asked - clock).total_seconds() / 3600) if asked else None
    shown = x if x is not None and 0 <= x <= BAR_WIDTH else None
    return {"rows": rows, "ticks": _ticks(first, hours, scale), "due": shown, "width": BAR_WIDTH}


def _ticks(first: datetime, hours: float, scale: float) -> list[Tick]:
    """Midnights, at most MOST_TICKS, each with its day; over months the month and its year."""
    every = next(step for step in STEPS if hours / 24 / step <= MOST_TICKS)
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0)
    ticks: list[Tick] = []
    while (hours_on := (midnight - first).total_seconds() / 3600) < hours:
        if hours_on >= 0:
            fits = BAR_WIDTH - hours_on * scale > ROOM_FOR_A_DAY
            ticks.append({"x": hours_on * scale, "text": _tick_text(midnight, every) if fits else ""})
        midnight += timedelta(days=every)
    return ticks


def _tick_text(midnight: datetime, every: int) -> str:
    if every < 14:
        return short_day(midnight.isoformat())
    return f"{midnight.day} {MONTHS[midnight.month - 1]} {midnight:%y}"


WIDTH, HEIGHT = 264.0, 190.0
LEFT, RIGHT, ABOVE, BELOW = 48.0, 40.0, 10.0, 34.0
DASHES = ("solid", "dashed", "dotted")
UNITS = {
    "_h": ((1.0, "h"), (24.0, "d")),
    "_min": ((1.0, "min"), (60.0, "h")),
}  # by the measure's end; the second from 3 of it on
TICK_STEPS = (0.25, 0.5, 1, 2, 5, 10, 15, 20, 50, 100, 200, 500, 1000)
MOST_Y_TICKS = 5


class Curve(TypedDict):
    process: str
    dash: str
    points: list[tuple[float, float]]
    line: str
    band: str
    name_y: float


class Panel(Curve):
    beside: list[Curve]


class Curves(TypedDict):
    width: float
    height: float
    left: float
    right: float
    foot: float
    y_ticks: list[Height]
    x_ticks: list[Tick]
    panels: list[Panel]
    mark: float | None
    quantity: int | None


def curves(comparison: CompareDocument, key: Measure = "lead_time_h", quantity: int | None = None) -> Curves:
    """A panel for each process on the same axes, in one unit: its outlined band and line, the other lines thin beside it.

    key : ``lead_time_h``, ``first_part_h`` or ``touch_per_part_min`` of the compare document
    quantity : marked by an upright line
    """
    by_process = process_lines(comparison["options"])
    lines = {process: values for process, line in by_process.items() if (values := line.get(key))}
    quantities = comparison["quantities"]
    top = max(value["p90"] for values in lines.values() for value in values)
    scale = Scale(quantities[0], quantities[-1], top * 1.04)
    drawn = [
        _curve(process, values, scale, dash)
        for (process, values), dash in zip(lines.items(), cycle(DASHES), strict=False)
    ]
    _names_apart(drawn)
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "left": LEFT,
        "right": WIDTH - RIGHT,
        "foot": HEIGHT - BELOW,
        "y_ticks": _y_ticks(top, UNITS["_min" if key.endswith("_min") else "_h"], scale),
        "x_ticks": _x_ticks(quantities, scale),
        "panels": [{**own, "beside": [other for other in drawn if other is not own]} for own in drawn],
        "mark": scale.x(quantity) if quantity and quantities[0] <= quantity <= quantities[-1] else None,
        "quantity": quantity,
    }


def _y_ticks(top: float, units: Sequence[tuple[float, str]], scale: Scale) -> list[Height]:
    """Ticks of one unit: the larger one from three of it on."""
    large = units[1][0]
    per, name = units[1] if top / large >= 3 else units[0]
    step = next((step for step in TICK_STEPS if top / per / step <= MOST_Y_TICKS), TICK_STEPS[-1])
    return [
        {"y": scale.y(number * step * per), "text": f"{number * step:g} {name}"}
        for number in range(int(top / per / step) + 1)
    ]


class Scale:
    """Quantity by its logarithm to the right, time upwards [px]."""

    def __init__(self, first: float, last: float, top: float) -> None:
        self.first, self.top = first, top
        self.span = log(last / first) if last > first else 1.0

    def x(self, quantity: float) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * log(quantity / self.first) / self.span, 1)

    def y(self, value: float) -> float:
        return round(HEIGHT - BELOW - (HEIGHT - ABOVE - BELOW) * value / self.top, 1)


def _curve(process: str, values: Sequence[AtQuantity], scale: Scale, dash: str) -> Curve:
    points = [(scale.x(value["quantity"]), scale.y(value["p50"])) for value in values]
    upper = [(scale.x(value["quantity"]), scale.y(value["p90"])) for value in values]
    lower = [(scale.x(value["quantity"]), scale.y(value["p10"])) for value in reversed(values)]
    return {
        "process": process,
        "dash": dash,
        "points": points,
        "line": _polyline(points),
        "band": _polyline(upper + lower) + "Z",
        "name_y": points[-1][1],
    }


def _polyline(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:g} {y:g}" for x, y in points)


def _names_apart(drawn: list[Curve], least: float = 13.0) -> list[Curve]:
    """Names at the right end moved so far apart that they can be read, none below the axis."""
    in_order = sorted(drawn, key=lambda curve: curve["name_y"])
    above = -1e9
    for curve in in_order:
        curve["name_y"] = above = max(curve["name_y"], above + least)
    below = HEIGHT - BELOW + least
    for curve in reversed(in_order):
        curve["name_y"] = below = min(curve["name_y"], below - least)
    return drawn


def _x_ticks(quantities: Sequence[int], scale: Scale) -> list[Tick]:
    """Quantities whose names do not touch."""
    ticks: list[Tick] = []
    for quantity in quantities:
        x = scale.x(quantity)
        if not ticks or x - ticks[-1]["x"] >= 9 + 7 * len(str(quantity)):
            ticks.append({"x": x, "text": str(quantity)})
    return ticks


ROOM_W, ROOM_H = 400.0, 300.0  # for the views themselves [px]
GAP, EDGE = 34.0, 46.0  # between views, and around them for sizes and names [px]
NAME = 140.0  # room for a view's name [px]


class PlacedView(TypedDict):
    name: str
    x: float
    y: float
    path: str


class Dimension(TypedDict):
    path: str
    x: float
    y: float
    turn: int
    text: str


class Views(TypedDict):
    views: list[PlacedView]
    sizes: list[Dimension]
    width: float
    height: float
    size: str


def drawing(views: Mapping[str, View]) -> Views:
    """Front, side to its right, top above it (third angle), to one scale; each view a path, each size a dimension.

    views : of the quote's ``drawing``: front, side and top with lines, width_mm and height_mm
    """
    front, side, top = views["front"], views["side"], views["top"]
    wide, high = front["width_mm"] + side["width_mm"], front["height_mm"] + top["height_mm"]
    scale = min((ROOM_W - GAP) / max(wide, 1e-9), (ROOM_H - GAP) / max(high, 1e-9))
    width, depth, height = (length * scale for length in (front["width_mm"], side["width_mm"], front["height_mm"]))
    upper, right = EDGE / 2 + top["height_mm"] * scale + GAP, EDGE + max(width + GAP, NAME)
    lower = upper + height
    placed = [
        _placed("from above", top, EDGE, EDGE / 2, scale),
        _placed("from the front", front, EDGE, upper, scale),
        _placed("from the right", side, right, upper, scale),
    ]
    sizes = [
        _across(EDGE, EDGE + width, lower + 16, front["width_mm"]),
        _across(right, right + depth, lower + 16, side["width_mm"]),
        _upright(upper, lower, EDGE - 16, front["height_mm"]),
    ]
    return {
        "views": placed,
        "sizes": sizes,
        "width": right + max(depth + EDGE / 2, NAME),
        "height": lower + EDGE,
        "size": f"{front['width_mm']:.1f} × {side['width_mm']:.1f} × {front['height_mm']:.1f} mm (wide, deep, high)",
    }


def _placed(name: str, view: View, left: float, above: float, scale: float) -> PlacedView:
    foot = above + view["height_mm"] * scale
    return {"name": name, "x": left, "y": above - 5, "path": _path(view["lines"], left, foot, scale)}


def _path(lines: Sequence[Any], left: float, foot: float, scale: float) -> str:
    return "".join(
        f"M{left + x1 * scale:.1f} {foot - y1 * scale:.1f}L{left + x2 * scale:.1f} {foot - y2 * scale:.1f}"
        for (x1, y1), (x2, y2) in lines
    )


def _across(left: float, right: float, y: float, mm: float) -> Dimension:
    ends = f"M{left:.1f} {y - 5:.1f}v10M{right:.1f} {y - 5:.1f}v10M{left:.1f} {y:.1f}H{right:.1f}"
    return {"path": ends, "x": (left + right) / 2, "y": y + 14, "turn": 0, "text": f"{mm:.1f}"}


def _upright(above: float, below: float, x: float, mm: float) -> Dimension:
    ends = f"M{x - 5:.1f} {above:.1f}h10M{x - 5:.1f} {below:.1f}h10M{x:.1f} {above:.1f}V{below:.1f}"
    return {"path": ends, "x": x - 7, "y": (above + below) / 2, "turn": -90, "text": f"{mm:.1f}"}


DAYS_SHOWN = 9
IN_WORDS = 40


class Piece(TypedDict):
    lane: str
    top: float
    bottom: float
    text: str


class Day(TypedDict):
    name: str
    spans: list[Piece]


class Mark(TypedDict):
    column: int
    hour: float


class Schedule(TypedDict):
    days: list[Day]
    more: int
    skipped: bool
    start: Mark | None
    end: Mark | None
    summary: list[str]


def schedule(course: Sequence[Course], start: str | None = None) -> Schedule:
    """Days with their spans, cut at midnight; how many days more there are; the course in words.

    Days without work are left out where the course is longer than DAYS_SHOWN.
    """
    spans: dict[date, list[Piece]] = {}
    for span in course:
        for day, piece in _pieces(span):
            spans.setdefault(day, []).append(piece)
    days = _all_days(spans)
    shown = days if len(days) <= DAYS_SHOWN else sorted(spans)[:DAYS_SHOWN]
    return {
        "days": [{"name": short_day(day.isoformat()), "spans": spans.get(day, [])} for day in shown],
        "more": len(set(spans) - set(shown)),
        "skipped": len(days) > len(shown),
        "start": _mark(start, shown),
        "end": _mark(max((span["to"] for span in course), key=datetime.fromisoformat, default=None), shown),
        "summary": in_words(course),
    }


def _pieces(span: Course) -> list[tuple[date, Piece]]:
    begin, end = datetime.fromisoformat(span["from"]), datetime.fromisoformat(span["to"])
    end = end.astimezone(begin.tzinfo)
    pieces: list[tuple[date, Piece]] = []
    while begin < end:
        midnight = begin.replace(hour=0, minute=0) + timedelta(days=1)
        until = min(end, midnight)
        piece: Piece = {
            "lane": span["lane"],
            "top": begin.hour + begin.minute / 60,
            "bottom": 24.0 if until == midnight else until.hour + until.minute / 60,
            "text": f"{stage_name(span['stage'])}, {span['job']}, {begin:%H:%M} to {until:%H:%M}",
        }
        pieces.append((begin.date(), piece))
        begin = until
    return pieces


def _all_days(spans: Mapping[date, Any]) -> list[date]:
    if not spans:
        return []
    first, last = min(spans), max(spans)
    return [first + timedelta(days=number) for number in range((last - first).days + 1)]


def _mark(when: str | None, shown: Sequence[date]) -> Mark | None:
    """Column and hour of a moment, where its day is shown."""
    if when is None:
        return None
    moment = datetime.fromisoformat(when)
    if moment.date() not in shown:
        return None
    return {"column": list(shown).index(moment.date()), "hour": moment.hour + moment.minute / 60}


def in_words(course: Sequence[Course]) -> list[str]:
    """The course as sentences, for who cannot see the drawing."""
    lanes = {"hands": "by hand", "machine": "machine", "waiting": "waiting"}
    sentences = [
        f"{clock_time(span['from'])} to {clock_time(span['to'])}: {stage_name(span['stage'])} "
        f"({lanes[span['lane']]}, {span['job']})"
        for span in course[:IN_WORDS]
    ]
    return [*sentences, f"... and {len(course) - IN_WORDS} more"] if len(course) > IN_WORDS else sentences
