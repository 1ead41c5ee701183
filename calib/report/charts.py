"""Charts of the week's page: places of their marks [px]; the macros of ``templates/week_figures.html`` draw them.

No chart library: the marks are few, and the style sheet must colour them by class for light, dark, paper and a page that
forbids inline style. Dates and per cent are the only axes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from itertools import groupby
from statistics import median, quantiles
from typing import NotRequired, TypedDict

from calib.documents.drift import ChartData, StageDrift
from calib.documents.week import ProcessTime
from calib.report.sentences import times_of
from calib.report.stage_sentences import creeps
from calib.report.units import MONTHS, day, duration, signed_percent

MOST_POINTS = 300  # runs drawn in one picture
LATE = 12  # runs that are surely seen
WEEKS_BEFORE, WEEKS_AT_LEAST = 13, 26  # drawn before a change; drawn at all
AXIS, SIZE, ABOVE, BELOW = (
    62.0,
    62.0,
    8.0,
    26.0,
)  # px beside, above and below the runs: for numbers, the size of a change, days
PERCENT_STEPS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2500, 5000, 10_000)
MOST_TICKS = 5
ROOM_FOR_A_DAY = 75.0  # px
DAY_STEPS = (1, 2, 7, 14, 28, 56, 91, 182, 364)
BAR_ROW, HEAD_ROW, NAMES, FIGURES = 19.0, 22.0, 124.0, 84.0  # px of the chart of hours


@dataclass(frozen=True)
class Axes:
    """Time to the right, per cent upwards, in a box [px]; what lies outside sits at its edge."""

    first: datetime
    last: datetime
    low: float
    high: float
    left: float
    right: float
    top: float
    foot: float

    def x(self, moment: datetime) -> float:
        share = (moment - self.first) / max(self.last - self.first, timedelta(minutes=1))
        return round(self.left + (self.right - self.left) * min(max(share, 0.0), 1.0), 1)

    def y(self, percent: float) -> float:
        inside = min(max(percent, self.low), self.high)
        return round(self.foot - (self.foot - self.top) * (inside - self.low) / (self.high - self.low), 1)


class RunMark(TypedDict):
    x: float
    y: float
    words: str
    above: bool
    below: bool


class ChangeMarks(TypedDict):
    low: float
    high: float
    since: float
    line: str | None
    y: NotRequired[float]
    text: NotRequired[str]


class Tick(TypedDict):
    x: float
    text: str


class Height(TypedDict):
    y: float
    text: str


class RunChart(TypedDict):
    title: str
    width: int
    height: int
    axes: Axes
    band: str
    expected: str
    runs: list[RunMark]
    x_ticks: list[Tick]
    y_ticks: list[Height]
    change: ChangeMarks | None


def run_chart(stage: StageDrift, title: str, width: int = 760, height: int = 250) -> RunChart:
    """Runs as points, what was expected as a line in an outlined band, the change with its size and the range of its date.

    stage : a stage of the drift document with its ``chart``; title : what a screen reader says of the whole picture
    """
    chart, drifts = stage["chart"], stage["state"] == "drifting"
    rows = drawn_rows(stage)
    actual, least, most = (
        [values[row] for row in rows] for values in (chart["actual_pct"], chart["low_pct"], chart["high_pct"])
    )
    low, high = visible_range(actual, least, most)
    if drifts:  # the line that says its size is in the picture
        size = 1.15 * (stage["change_pct"] or 0.0)
        low, high = min(low, size), max(high, size)
    ends = [datetime.fromisoformat(chart["at"][row]) for row in rows]
    axes = Axes(ends[0], ends[-1], low, high, AXIS, width - (SIZE if drifts else 10.0), ABOVE, height - BELOW)
    xs = [axes.x(end) for end in ends]
    return {
        "title": title,
        "width": width,
        "height": height,
        "axes": axes,
        "band": band_path(xs, list(map(axes.y, least)), list(map(axes.y, most))),
        "expected": steps_path(xs, [axes.y(chart["expected_pct"][row]) for row in rows]),
        "runs": [_run(chart, row, x, axes) for row, x in zip(rows, xs, strict=True)],
        "x_ticks": day_ticks(axes),
        "y_ticks": [{"y": axes.y(value), "text": signed_percent(value)} for value in percent_ticks(low, high)],
        "change": change_marks(stage, axes),
    }


def _run(chart: ChartData, row: int, x: float, axes: Axes) -> RunMark:
    """A point, with the words that pointing at it shows; above, below : it lies beyond the picture, at whose edge it sits."""
    percent, build = chart["actual_pct"][row], chart["build_id"][row] if chart["build_id"] else ""
    words = (
        f"{build}: {duration(chart['actual_min'][row])}, {signed_percent(percent)} from before, {day(chart['at'][row])}"
    )
    return {"x": x, "y": axes.y(percent), "words": words, "above": percent > axes.high, "below": percent < axes.low}


def drawn_rows(stage: StageDrift) -> list[int]:
    """Indices of the last runs, thinned evenly to MOST_POINTS, in order of time."""
    ends = stage["chart"]["at"]
    latest = datetime.fromisoformat(ends[-1])
    began = stage.get("since_low") or stage["since"]
    since = datetime.fromisoformat(began).replace(tzinfo=latest.tzinfo) if began else latest
    first = min(since - timedelta(weeks=WEEKS_BEFORE), latest - timedelta(weeks=WEEKS_AT_LEAST))
    rows = [row for row, end in enumerate(ends) if datetime.fromisoformat(end) >= first]
    return rows[:: -thinning(len(rows))][::-1]


def thinning(number: int) -> int:
    """One run in so many is drawn.

    >>> thinning(12), thinning(300), thinning(301), thinning(2000)
    (1, 1, 2, 7)
    """
    return max(1, -(-number // MOST_POINTS))


def visible_range(actual: Sequence[float], low: Sequence[float], high: Sequence[float]) -> tuple[float, float]:
    """What the upright axis shows [%]: nearly all runs, those of late, and the usual band."""
    late = actual[-LATE:]
    least = min(share_below(actual, 0.02), share_below(late, 0.1), share_below(low, 0.1), -5.0)
    most = max(share_below(actual, 0.98), share_below(late, 0.9), share_below(high, 0.9), 5.0)
    room = 0.06 * (most - least)
    return least - room, most + 2 * room


def share_below(values: Sequence[float], share: float) -> float:
    """The value below which that share of the values lies.

    >>> share_below([0.0, 1.0, 2.0], 0.5), share_below([3.0], 0.9)
    (1.0, 3.0)
    """
    if len(values) < 2:
        return values[0]
    return quantiles(values, n=100, method="inclusive")[round(100 * share) - 1]


def steps_path(xs: Sequence[float], ys: Sequence[float]) -> str:
    """A value that holds until the next.

    >>> steps_path([0.0, 10.0], [5.0, 7.0])
    'M0 5H10V7'
    """
    return f"M{xs[0]:g} {ys[0]:g}" + "".join(f"H{x:g}V{y:g}" for x, y in zip(xs[1:], ys[1:], strict=True))


def band_path(xs: Sequence[float], low: Sequence[float], high: Sequence[float]) -> str:
    """A closed outline between two stepped lines."""
    back = "".join(f"V{y:g}H{x:g}" for x, y in zip(xs[-2::-1], low[-2::-1], strict=True))
    return f"{steps_path(xs, high)}V{low[-1]:g}{back}Z"


def percent_ticks(low: float, high: float) -> list[int]:
    """
    >>> percent_ticks(-12.0, 35.0)
    [-10, 0, 10, 20, 30]
    """
    step = next((step for step in PERCENT_STEPS if (high - low) / step <= MOST_TICKS), PERCENT_STEPS[-1])
    return [step * number for number in range(-int(-low // step) if low < 0 else 0, int(high // step) + 1)]


def day_ticks(axes: Axes) -> list[Tick]:
    """Midnights whose days have room."""
    days = (axes.last - axes.first).total_seconds() / 86400
    most = max(1.0, (axes.right - axes.left) / ROOM_FOR_A_DAY)
    step = next((step for step in DAY_STEPS if days / step <= most), DAY_STEPS[-1])
    moment = axes.first.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    ticks: list[Tick] = []
    while moment <= axes.last:
        ticks.append({"x": axes.x(moment), "text": f"{moment.day} {MONTHS[moment.month - 1]}"})
        moment += timedelta(days=step)
    return ticks


def change_marks(stage: StageDrift, axes: Axes) -> ChangeMarks | None:
    """Where the level stands since the change with its size, a slope for a creep; the range of its date at the foot. Of a
    stage whose level did not move its date alone; None where none is given."""
    began = stage["chart"].get("since")
    if not began:
        return None
    texts = (stage.get("since_low") or began, began, stage.get("since_high") or began)
    low, since, high = (axes.x(datetime.fromisoformat(text).replace(tzinfo=axes.last.tzinfo)) for text in texts)
    marks: ChangeMarks = {"low": low, "high": max(high, low + 2.0), "since": since, "line": None}
    if stage["state"] == "drifting":
        start, end = level_line(stage)
        marks["line"] = f"M{since:g} {axes.y(start):g}L{axes.right:g} {axes.y(end):g}"
        marks["y"], marks["text"] = axes.y(end), signed_percent(end)
    return marks


def level_line(stage: StageDrift) -> tuple[float, float]:
    """Where the level stands at the change and now [% from before]: from 0 up to its size for a creep, else its size all along."""
    size = stage["change_pct"] or 0.0
    return 0.0 if creeps(stage) else size, size


class SmallChart(TypedDict):
    title: str
    width: int
    height: int
    band: str
    line: str
    points: list[tuple[float, float]]
    since: float | None


def small_chart(chart: ChartData, title: str, width: int = 190, height: int = 56) -> SmallChart:
    """One stage in a stamp: each week's middle run as a point over the band of what was expected."""
    mondays, actual, low, high = by_week(chart)
    least, most = visible_range(actual, low, high)
    axes = Axes(mondays[0], mondays[-1], least, most, 3.0, width - 3.0, 3.0, height - 3.0)
    xs = list(map(axes.x, mondays))
    points = list(zip(xs, map(axes.y, actual), strict=True))
    began = chart.get("since")
    return {
        "title": title,
        "width": width,
        "height": height,
        "band": band_path(xs, list(map(axes.y, low)), list(map(axes.y, high))),
        "line": "M" + "L".join(f"{x:g} {y:g}" for x, y in points),
        "points": points,
        "since": axes.x(datetime.fromisoformat(began).replace(tzinfo=axes.last.tzinfo)) if began else None,
    }


def by_week(chart: ChartData) -> tuple[list[datetime], list[float], list[float], list[float]]:
    """Mondays of the weeks that have runs, and the medians of each: actual, low and high [%]."""
    ends = [datetime.fromisoformat(text) for text in chart["at"]]
    columns = (chart["actual_pct"], chart["low_pct"], chart["high_pct"])
    mondays: list[datetime] = []
    middles: tuple[list[float], ...] = ([], [], [])
    for monday, some in groupby(
        range(len(ends)), key=lambda row: (ends[row] - timedelta(days=ends[row].weekday())).date()
    ):
        rows = list(some)
        mondays.append(datetime.combine(monday, time(), ends[0].tzinfo))
        for values, middle in zip(columns, middles, strict=True):
            middle.append(median(values[row] for row in rows))
    return mondays, *middles  # type: ignore[return-value]


class HoursBar(TypedDict):
    y: float
    word: str
    length: float
    figure: str


class HoursChart(TypedDict):
    title: str
    width: int
    height: float
    left: float
    heads: list[Height]
    bars: list[HoursBar]


def hours_chart(rows: Sequence[ProcessTime], title: str, width: int = 560) -> HoursChart:
    """Touch, machine and waiting hours of each process: a bar with its name and its figure for each, one scale for all."""
    longest = max((minutes or 0.0 for row in rows for minutes in times_of(row).values()), default=0.0) or 1.0
    y = 0.0
    heads: list[Height] = []
    bars: list[HoursBar] = []
    for row in rows:
        heads.append({"y": y + HEAD_ROW - 6, "text": row["process"]})
        y += HEAD_ROW
        for word, minutes in times_of(row).items():
            length = (width - NAMES - FIGURES) * (minutes or 0.0) / longest
            bars.append({"y": y, "word": word, "length": round(length, 1), "figure": duration(minutes)})
            y += BAR_ROW
        y += 4
    return {"title": title, "width": width, "height": y, "left": NAMES, "heads": heads, "bars": bars}
