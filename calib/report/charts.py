"""Charts as SVG inside the page: drawn by a declarative library, without a network or a script.

Colours are the style sheet's light ones; page.css re-colours them, so that one drawing serves light, dark and print.
Channels are given as objects: to find out what a bare string means costs the library 15 ms each time.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from calib.documents.drift import ChartData, StageDrift
from calib.documents.week import ProcessTime
from calib.report.sentences import KINDS_OF_TIME, times_of
from calib.report.stage_sentences import creeps
from calib.report.svg import ACCENT, BAND, INK, SLOW, as_svg
from calib.report.units import day, duration, signed_percent

MOST_POINTS = 300  # runs drawn in one picture
SIZE = 56  # px beside a picture that the size of a change takes
AXIS, NAMES = 64, 124  # px beside a picture that its numbers take; that the names of bars take
LATE = 12  # runs that are surely seen
WEEKS_BEFORE, WEEKS_AT_LEAST = 13, 26  # drawn before a change; drawn at all
PERCENT = "(datum.value > 0 ? '+' : datum.value < 0 ? '\u2212' : '') + abs(datum.value) + ' %'"


def run_chart(stage: StageDrift, title: str, width: int = 760, height: int = 250) -> Markup:
    """Runs as points, expectation as a band, the change and its range marked; in per cent from plan.

    stage : a stage of the drift document with its ``chart``
    title : what a screen reader says of the whole picture
    """
    import altair as alt

    runs = drawn_runs(stage)
    low, high = visible_range(runs)
    if stage["state"] == "drifting":  # the line that says its size is in the picture
        size = 1.15 * (stage["change_pct"] or 0.0)
        low, high = min(low, size), max(high, size)
    runs["seen"] = runs["actual_pct"].clip(low, high)
    runs["outside"] = runs["seen"] != runs["actual_pct"]
    for name in ("low_pct", "high_pct", "expected_pct"):
        runs[name] = runs[name].clip(low, high)
    room = SIZE if stage["state"] == "drifting" else 0
    days = alt.Axis(title=None, format="%-d %b", tickCount=round(width / 110), labelOverlap=True)
    x = alt.X("at:T", axis=days)
    scale = alt.Scale(domain=[low, high], nice=False)
    y_axis = alt.Axis(title=None, tickCount=5, labelExpr=PERCENT)
    base = alt.Chart(runs)
    layers = [
        base.mark_area(color=BAND, interpolate="step-after", aria=False).encode(
            x=x, y=alt.Y("low_pct:Q", scale=scale, axis=y_axis), y2=alt.Y2("high_pct:Q")
        ),
        *change_marks(stage, runs["at"], days, height, scale, y_axis),
        base.mark_line(color=ACCENT, interpolate="step-after", strokeWidth=1.5, aria=False).encode(
            x=x, y=alt.Y("expected_pct:Q", scale=scale, axis=y_axis)
        ),
        base.mark_point(filled=True, color=INK, size=30, opacity=0.75).encode(
            x=x,
            y=alt.Y("seen:Q", scale=scale, axis=y_axis),
            shape=alt.ShapeValue("circle", condition={"test": "datum.outside", "value": "triangle"}),
            description=alt.Description("told:N"),
        ),
    ]
    return as_svg(alt.layer(*layers).properties(width=width - AXIS - room, height=height), title)


def drawn_runs(stage: StageDrift) -> Any:
    """The chart's last runs as a frame, thinned evenly to MOST_POINTS, each with the words that pointing at it shows."""
    import pandas as pd

    chart = stage["chart"]
    runs = pd.DataFrame(
        {
            "at": pd.to_datetime(chart["at"], utc=True, format="ISO8601"),
            **{name: chart[name] for name in ("actual_pct", "low_pct", "high_pct", "expected_pct")},
            "minutes": chart["actual_min"],
            "build": chart["build_id"] or [""] * len(chart["at"]),
        }
    )
    since = (
        pd.Timestamp(stage.get("since_low") or stage["since"] or runs["at"].max()).tz_localize(None).tz_localize("UTC")
    )
    first = min(since - pd.Timedelta(weeks=WEEKS_BEFORE), runs["at"].max() - pd.Timedelta(weeks=WEEKS_AT_LEAST))
    runs = runs[runs["at"] >= first]
    runs = runs[:: -thinning(len(runs))][::-1].reset_index(drop=True)
    runs["told"] = [
        f"{build}: {duration(minutes)}, {signed_percent(percent)} from before, {day(at)}"
        for build, minutes, percent, at in zip(
            runs["build"], runs["minutes"], runs["actual_pct"], runs["at"], strict=True
        )
    ]
    return runs


def thinning(number: int) -> int:
    """One run in so many is drawn.

    >>> thinning(12), thinning(300), thinning(301), thinning(2000)
    (1, 1, 2, 7)
    """
    return max(1, -(-number // MOST_POINTS))


def change_marks(stage: StageDrift, at: Any, axis: Any, height: int, scale: Any, y_axis: Any) -> list[Any]:
    """Where the level stands since the change, a slope for a creep, with its size; the range of its date as a bar at the
    foot. Of a stage whose level did not move its date alone; nothing where none is told."""
    import altair as alt
    import pandas as pd

    if not stage["chart"].get("since"):
        return []
    began = stage["since"] or ""
    days = [stage.get("since_low") or began, began, stage.get("since_high") or began]
    low, since, high = (pd.Timestamp(one, tz="UTC") for one in days)
    first, last = at.min(), at.max()
    mark = pd.DataFrame({"at": [since], "low": [max(low, first)], "high": [min(high, last)]})
    made = alt.Chart(mark)
    foot = made.mark_rule(color=SLOW, strokeWidth=7, aria=False).encode(
        x=alt.X("low:T", axis=axis), x2=alt.X2("high:T"), y=alt.YValue(height - 3)
    )
    if stage["state"] != "drifting":
        dated = made.mark_rule(color=SLOW, strokeWidth=2, strokeDash=[5, 3], aria=False)
        return [foot, dated.encode(x=alt.X("at:T", axis=axis))]
    y = alt.Y("now:Q", scale=scale, axis=y_axis)
    line = alt.Chart(pd.DataFrame(level_line(stage, since, last)))
    named = alt.Chart(
        pd.DataFrame([{**level_line(stage, since, last)[-1], "text": signed_percent(stage["change_pct"])}])
    )
    return [
        foot,
        line.mark_line(color=SLOW, strokeWidth=2.5, strokeDash=[6, 3], clip=True, aria=False).encode(
            x=alt.X("at:T", axis=axis), y=y
        ),
        named.mark_text(color=SLOW, fontSize=13, align="left", dx=6, aria=False).encode(
            x=alt.X("at:T", axis=axis), y=y, text=alt.Text("text:N")
        ),
    ]


def level_line(stage: StageDrift, since: Any, last: Any) -> list[dict[str, Any]]:
    """Where the level stands [% from before], ends of a line: from 0 up to its size for a creep, else its size all along."""
    size = stage["change_pct"]
    return [{"at": since, "now": 0.0 if creeps(stage) else size}, {"at": last, "now": size}]


def small_chart(chart: ChartData, title: str, width: int = 190, height: int = 56) -> Markup:
    """One stage in a stamp: each week's middle run as a point over the band of what was expected."""
    import altair as alt
    import pandas as pd

    runs = pd.DataFrame({name: chart[name] for name in ("actual_pct", "low_pct", "high_pct")})
    runs["at"] = pd.to_datetime(chart["at"], utc=True, format="ISO8601").tz_localize(None).to_period("W").start_time
    weeks = runs.groupby("at", as_index=False).median()
    x = alt.X("at:T", axis=None)
    scale = alt.Scale(domain=visible_range(weeks), nice=False, clamp=True)
    base = alt.Chart(weeks).encode(x=x)
    layers = [
        base.mark_area(color=BAND).encode(y=alt.Y("low_pct:Q", axis=None, scale=scale), y2=alt.Y2("high_pct:Q")),
        base.mark_line(color=INK, strokeWidth=1, point={"size": 10, "color": INK}).encode(
            y=alt.Y("actual_pct:Q", scale=scale)
        ),
    ]
    if began := chart.get("since"):
        mark = pd.DataFrame({"at": [pd.Timestamp(began)]})
        layers.append(alt.Chart(mark).mark_rule(color=SLOW, strokeWidth=2, strokeDash=[4, 2]).encode(x=x))
    return as_svg(alt.layer(*layers).properties(width=width, height=height), title, titles=False)


def hours_chart(rows: Sequence[ProcessTime], title: str, width: int = 560) -> Markup:
    """Touch, machine and waiting hours of each process: a bar with its name and its figure for each."""
    import altair as alt
    import pandas as pd

    table = pd.DataFrame(
        [
            {"process": row["process"], "kind": word, "hours": (minutes or 0.0) / 60, "told": duration(minutes)}
            for row in rows
            for word, minutes in times_of(row).items()
        ]
    )
    base = alt.Chart(table).encode(
        y=alt.Y("kind:N", sort=list(KINDS_OF_TIME), axis=alt.Axis(title=None, ticks=False, domain=False)),
        x=alt.X("hours:Q", axis=None, scale=alt.Scale(domain=[0, 1.2 * max(table["hours"].max(), 1e-9)])),
    )
    bars = base.mark_bar(color=ACCENT, height=12, aria=False)
    words = base.mark_text(align="left", dx=4, color=INK, fontSize=13, aria=False).encode(text=alt.Text("told:N"))
    heads = alt.Header(
        title=None, labelColor=INK, labelFontSize=13, labelFontWeight="bold", labelAnchor="start", labelOrient="top"
    )
    made = (bars + words).properties(width=width - NAMES, height=alt.Step(19))
    return as_svg(
        made.facet(row=alt.Row("process:N", sort=list(table["process"].unique()), header=heads)),
        title,
    )


def visible_range(runs: Any) -> list[float]:
    """What the vertical axis shows: nearly all runs, those of late, and the usual band; runs beyond sit at its edge."""
    late = runs["actual_pct"].tail(LATE)
    low = min(runs["actual_pct"].quantile(0.02), late.quantile(0.1), runs["low_pct"].quantile(0.1), -5.0)
    high = max(runs["actual_pct"].quantile(0.98), late.quantile(0.9), runs["high_pct"].quantile(0.9), 5.0)
    room = 0.06 * (high - low)
    return [float(low - room), float(high + 2 * room)]
