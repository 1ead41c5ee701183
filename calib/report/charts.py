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


def run_chart(chart: dict[str, Any], title: str, width: int = 640, height: int = 220, small: bool = False) -> Markup:
    """Runs as points, expectation as a band, the change as a ruled line; in per cent from plan.

    chart : the ``chart`` of one stage of the drift document
    title : what a screen reader says of the whole picture
    """
    import altair as alt
    import pandas as pd

    runs = pd.DataFrame(
        {
            "at": pd.to_datetime(chart["at"], utc=True),
            "y": chart["actual_pct"],
            "low": chart["low_pct"],
            "high": chart["high_pct"],
            "expected": chart["expected_pct"],
            "minutes": chart["actual_min"],
            "build": chart["build_id"] or [""] * len(chart["at"]),
        }
    )
    low, high = visible_range(runs)
    runs["seen"] = runs["y"].clip(low, high)
    runs["outside"] = runs["seen"] != runs["y"]
    runs["told"] = [
        f"{build}: {minutes:.0f} min, {y:+.0f} % from plan, {at:%d %b %Y}"
        for build, minutes, y, at in zip(runs["build"], runs["minutes"], runs["y"], runs["at"], strict=True)
    ]
    x = alt.X("at:T", axis=None if small else alt.Axis(title=None, format="%d %b", tickCount=6))
    scale = alt.Scale(domain=[low, high], nice=False)
    y_axis = None if small else alt.Axis(title="per cent from plan", tickCount=5, format="+d")
    base = alt.Chart(runs)
    layers = [
        base.mark_area(color=BAND, interpolate="step-after", aria=False).encode(
            x=x, y=alt.Y("low:Q", scale=scale, axis=y_axis), y2="high:Q"
        ),
        base.mark_line(color=ACCENT, interpolate="step-after", strokeWidth=1.5, aria=False).encode(
            x=x, y=alt.Y("expected:Q", scale=scale, axis=y_axis)
        ),
        base.mark_point(filled=True, color=INK, size=8 if small else 26, opacity=0.75).encode(
            x=x,
            y=alt.Y("seen:Q", scale=scale, axis=y_axis),
            shape=alt.condition("datum.outside", alt.value("triangle"), alt.value("circle")),
            **({} if small else {"description": "told:N"}),
        ),
    ]
    if chart.get("since"):
        mark = pd.DataFrame({"at": [pd.Timestamp(chart["since"], tz="UTC")], "text": ["change"]})
        layers.append(alt.Chart(mark).mark_rule(color=SLOW, strokeWidth=2, strokeDash=[5, 3], aria=False).encode(x=x))
        if not small:
            layers.append(
                alt.Chart(mark)
                .mark_text(color=SLOW, align="left", dx=4, baseline="top", fontSize=12, aria=False)
                .encode(x=x, y=alt.value(2), text="text:N")
            )
    return as_svg(alt.layer(*layers).properties(width=width, height=height), title)


def visible_range(runs: Any) -> tuple[float, float]:
    """What the vertical axis shows: nearly all runs and the whole band; the rest sits at its edge as a triangle."""
    low = min(runs["y"].quantile(0.02), runs["low"].min(), -5.0)
    high = max(runs["y"].quantile(0.98), runs["high"].max(), 5.0)
    room = 0.06 * (high - low)
    return float(low - room), float(high + room)


def as_svg(chart: Any, title: str) -> Markup:
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
    return clean_svg(vl_convert.vegalite_to_svg(chart.to_json(validate=False)), title)


def clean_svg(svg: str, title: str) -> Markup:
    svg = re.sub(r"<\?xml[^>]*\?>|<!DOCTYPE[^>]*>", "", svg)
    svg = re.sub(r' aria-roledescription="[^"]*"| role="[^"]*"', "", svg)
    svg = re.sub(r'<path aria-label="([^"]*)"([^>]*?)/>', r"<path\2><title>\1</title></path>", svg)
    svg = re.sub(r'<path aria-label="([^"]*)"([^>]*?)></path>', r"<path\2><title>\1</title></path>", svg)
    return Markup(svg.replace("<svg ", f'<svg role="img" aria-label="{escape(title)}" ', 1))  # noqa: S704 - drawn here
