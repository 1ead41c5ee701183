"""Charts as SVG inside the page: drawn by a declarative library, without a network or a script.

Colours are the style sheet's light ones; page.css re-colours them, so that one drawing serves light, dark and print.
"""

from __future__ import annotations

import re
from typing import Any

from markupsafe import Markup, escape

INK, QUIET, LINE, BAND, ACCENT, SLOW, QUICK = (
    "#1b2430", "#54606e", "#d5dbe2", "#d3e3f4", "#0b5cad", "#9c3d00", "#00665e",
)  # fmt: skip
FONT = "system-ui, 'Segoe UI', 'Liberation Sans', sans-serif"


def run_chart(chart: dict[str, Any], title: str, width: int = 640, height: int = 220) -> Markup:
    """Runs as points, expectation as a band, the change as a ruled line; in per cent from plan.

    chart : the ``chart`` of one stage of the drift document
    title : what a screen reader says of the whole picture
    """
    import altair as alt
    import pandas as pd

    runs = pd.DataFrame(
        {
            "at": pd.to_datetime(chart["at"], utc=True),
            **{name: chart[name] for name in ("actual_pct", "low_pct", "high_pct", "expected_pct")},
            "minutes": chart["actual_min"],
            "build": chart["build_id"] or [""] * len(chart["at"]),
        }
    )
    low, high = visible_range(runs)
    runs["seen"] = runs["actual_pct"].clip(low, high)
    runs["outside"] = runs["seen"] != runs["actual_pct"]
    runs["told"] = [
        f"{build}: {minutes:.0f} min, {pct:+.0f} % from plan, {at:%d %b %Y}"
        for build, minutes, pct, at in zip(runs["build"], runs["minutes"], runs["actual_pct"], runs["at"], strict=True)
    ]
    x = alt.X("at:T", axis=alt.Axis(title=None, format="%d %b", tickCount=6))
    scale = alt.Scale(domain=[low, high], nice=False)
    y_axis = alt.Axis(title="per cent from plan", tickCount=5, format="+d")
    base = alt.Chart(runs)
    layers = [
        base.mark_area(color=BAND, interpolate="step-after", clip=True, aria=False).encode(
            x=x, y=alt.Y("low_pct:Q", scale=scale, axis=y_axis), y2="high_pct:Q"
        ),
        base.mark_line(color=ACCENT, interpolate="step-after", strokeWidth=1.5, aria=False).encode(
            x=x, y=alt.Y("expected_pct:Q", scale=scale, axis=y_axis)
        ),
        base.mark_point(filled=True, color=INK, size=26, opacity=0.75).encode(
            x=x,
            y=alt.Y("seen:Q", scale=scale, axis=y_axis),
            shape=alt.condition("datum.outside", alt.value("triangle"), alt.value("circle")),
            description="told:N",
        ),
    ]
    if chart.get("since"):
        mark = pd.DataFrame({"at": [pd.Timestamp(chart["since"], tz="UTC")], "text": ["change"]})
        layers.append(alt.Chart(mark).mark_rule(color=SLOW, strokeWidth=2, strokeDash=[5, 3], aria=False).encode(x=x))
        late = mark["at"].iloc[0] > runs["at"].min() + 0.85 * (runs["at"].max() - runs["at"].min())
        layers.append(
            alt.Chart(mark)
            .mark_text(
                color=SLOW,
                align="right" if late else "left",
                dx=-4 if late else 4,
                baseline="top",
                fontSize=12,
                aria=False,
            )
            .encode(x=x, y=alt.value(2), text="text:N")
        )
    return as_svg(alt.layer(*layers).properties(width=width, height=height), title)


def small_chart(chart: dict[str, Any], title: str, width: int = 190, height: int = 56) -> Markup:
    """One stage in a stamp: each week's middle run as a point over the band of what was expected."""
    import altair as alt
    import pandas as pd

    runs = pd.DataFrame({name: chart[name] for name in ("actual_pct", "low_pct", "high_pct")})
    runs["at"] = pd.to_datetime(chart["at"], utc=True).tz_localize(None).to_period("W").start_time
    weeks = runs.groupby("at", as_index=False).median()
    x = alt.X("at:T", axis=None)
    scale = alt.Scale(domain=visible_range(weeks), nice=False, clamp=True)
    base = alt.Chart(weeks).encode(x=x)
    layers = [
        base.mark_area(color=BAND).encode(y=alt.Y("low_pct:Q", axis=None, scale=scale), y2="high_pct:Q"),
        base.mark_line(color=INK, strokeWidth=1, point={"size": 10, "color": INK}).encode(
            y=alt.Y("actual_pct:Q", scale=scale)
        ),
    ]
    if chart.get("since"):
        mark = pd.DataFrame({"at": [pd.Timestamp(chart["since"])]})
        layers.append(alt.Chart(mark).mark_rule(color=SLOW, strokeWidth=2, strokeDash=[4, 2]).encode(x=x))
    return as_svg(alt.layer(*layers).properties(width=width, height=height), title, titles=False)


def hours_chart(rows: list[dict[str, Any]], title: str, width: int = 620) -> Markup:
    """Touch, machine and waiting hours of each process as stacked bars, with the words on them."""
    import altair as alt
    import pandas as pd

    kinds = {"touch_min": "hands on", "machine_min": "machine alone", "wait_min": "waiting"}
    table = pd.DataFrame(
        [
            {"process": row["process"], "kind": word, "order": i, "hours": (row[key] or 0) / 60}
            for row in rows
            for i, (key, word) in enumerate(kinds.items())
        ]
    )
    bars = (
        alt.Chart(table)
        .mark_bar(stroke=INK, strokeWidth=0.5)
        .encode(
            y=alt.Y("process:N", title=None),
            x=alt.X("hours:Q", title="hours"),
            order="order:O",
            color=alt.Color(
                "kind:N",
                sort=list(kinds.values()),
                scale=alt.Scale(domain=list(kinds.values()), range=[ACCENT, BAND, LINE]),
                legend=alt.Legend(title=None, orient="top", labelColor=INK, labelFontSize=12),
            ),
        )
    )
    return as_svg(bars.properties(width=width, height=alt.Step(30)), title)


def visible_range(runs: Any) -> list[float]:
    """What the vertical axis shows: nearly all runs and the usual band; runs beyond sit at its edge as triangles."""
    low = min(runs["actual_pct"].quantile(0.02), runs["low_pct"].quantile(0.1), -5.0)
    high = max(runs["actual_pct"].quantile(0.98), runs["high_pct"].quantile(0.9), 5.0)
    room = 0.06 * (high - low)
    return [float(low - room), float(high + room)]


def as_svg(chart: Any, title: str, titles: bool = True) -> Markup:
    """SVG text of an altair chart: marks' descriptions become titles that show on hover."""
    import vl_convert

    chart = (
        chart.configure(background="transparent", font=FONT, padding=2)
        .configure_view(stroke=None)
        .configure_axis(
            labelColor=QUIET,
            titleColor=QUIET,
            gridColor=LINE,
            domainColor=LINE,
            tickColor=LINE,
            labelFontSize=12,
            titleFontSize=12,
            titleFontWeight="normal",
        )
    )
    return clean_svg(vl_convert.vegalite_to_svg(chart.to_json(validate=False)), title, titles)


def clean_svg(svg: str, title: str, titles: bool) -> Markup:
    """One picture with one name for a screen reader; marks keep their words as titles, or lose them."""
    svg = re.sub(r"<\?xml[^>]*\?>|<!DOCTYPE[^>]*>", "", svg)
    svg = re.sub(r' aria-roledescription="[^"]*"| role="[^"]*"', "", svg)
    mark = r'<path aria-label="([^"]*)"([^>]*?)(?:/>|></path>)'
    svg = re.sub(mark, r"<path\2><title>\1</title></path>" if titles else r"<path\2/>", svg)
    svg = re.sub(r' aria-(label|hidden)="[^"]*"', "", svg)
    return Markup(svg.replace("<svg ", f'<svg role="img" aria-label="{escape(title)}" ', 1))
