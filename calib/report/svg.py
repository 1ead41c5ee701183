"""A drawn chart as a short SVG inside a page: one name for a screen reader, colours that the style sheet changes."""

from __future__ import annotations

import re
from typing import Any

from markupsafe import Markup, escape

# those of the light style sheet; page.css re-colours them, so that one drawing serves light, dark and print
INK, QUIET, LINE, BAND, ACCENT, SLOW = "#1b2430", "#54606e", "#d5dbe2", "#d3e3f4", "#0b5cad", "#9c3d00"
FONT = "system-ui, sans-serif"
# what a page does not need of the drawer's SVG
SPARED = re.compile(
    r'<\?xml[^>]*\?>|<!DOCTYPE[^>]*>|<defs>.*?</defs>|<path class="(?:background|foreground)"[^>]*/>'
    r'| (?:aria-roledescription|aria-hidden|role|font-family|pointer-events|clip-path|xmlns:xlink|version|class)="[^"]*"'
    r'| opacity="1"'
)
MARK = re.compile(r'<path aria-label="([^"]*)"([^>]*?)(?:/>|></path>)')
ROUND = re.compile(
    r'<path transform="translate\(([^,]+),([^)]+)\)" d="M([\d.]+),0A[^"]*"([^>]*?)(?:/>|>(<title>[^<]*</title>)</path>)'
)
SIZES = re.compile(r' (?:d|transform|x|y|x2|y2|width|height)="[^"]*"')


def as_svg(chart: Any, title: str, titles: bool = True) -> Markup:
    """SVG text of an altair chart: marks' descriptions become titles that show on hover."""
    import vl_convert

    chart = (
        chart.configure(background="transparent", font=FONT, padding={"left": 14, "right": 8, "top": 2, "bottom": 2})
        .configure_view(stroke=None)
        .configure_axis(
            labelColor=QUIET,
            titleColor=QUIET,
            gridColor=LINE,
            domainColor=LINE,
            tickColor=LINE,
            labelFontSize=13,
            titleFontSize=13,
            titleFontWeight="normal",
        )
    )
    return clean_svg(vl_convert.vegalite_to_svg(chart.to_json(validate=False)), title, titles)


def clean_svg(svg: str, title: str, titles: bool) -> Markup:
    """One picture with one name for a screen reader, and short: a page holds hundreds.

    Marks keep their words as titles that show on pointing, or lose them; round marks become circles.
    """
    svg = SPARED.sub("", svg)
    svg = MARK.sub(r"<path\2><title>\1</title></path>" if titles else r"<path\2/>", svg)
    svg = re.sub(r' aria-label="[^"]*"', "", svg)
    svg = ROUND.sub(lambda found: circle(*found.groups()), svg)
    svg = SIZES.sub(lambda found: shorter(found[0]), svg)
    return Markup(svg.replace("<svg ", f'<svg role="img" aria-label="{escape(title)}" ', 1))


def circle(x: str, y: str, radius: str, rest: str, title: str | None) -> str:
    look = re.sub(r' stroke-width="[^"]*"', "", rest)
    start = f'<circle cx="{float(x):.1f}" cy="{float(y):.1f}" r="{float(radius):.1f}"{look}'
    return f"{start}>{title}</circle>" if title else f"{start}/>"


def shorter(text: str) -> str:
    """Numbers to a tenth of a pixel.

    >>> shorter('d="M0,43.567L7.6000001,40.04"')
    'd="M0,43.6L7.6,40"'
    """
    return re.sub(r"-?\d+\.\d+", lambda found: f"{round(float(found[0]), 1):g}", text)
