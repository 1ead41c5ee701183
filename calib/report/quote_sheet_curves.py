"""Processes over quantity as curves with their bands."""

from __future__ import annotations

from collections.abc import Sequence
from math import log
from typing import Any

from calib.documents.compare import AtQuantity, CompareDocument, Measure
from calib.report.terminal_compare import hours, process_lines
from calib.report.units import duration

WIDTH, HEIGHT = 600.0, 220.0
LEFT, RIGHT, ABOVE, BELOW = 52.0, 46.0, 10.0, 34.0
STYLES = {"MEX": ("solid", "circle"), "VPP": ("dashed", "square"), "PBF": ("dotted", "triangle")}
HOUR_STEPS = (1, 2, 4, 6, 12, 24, 48, 72, 120, 168, 336, 672, 1344, 2688, 5376)
MINUTE_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 960)


def curves(comparison: CompareDocument, key: Measure = "lead_time_h", quantity: int | None = None) -> dict[str, Any]:
    """A chart of one measure: axes with ticks, and for each process a band and a line with its marks and name.

    key : ``lead_time_h``, ``first_part_h`` or ``touch_per_part_min`` of the compare document
    quantity : marked by an upright line
    """
    by_process = process_lines(comparison["options"])
    lines = {process: values for process, line in by_process.items() if (values := line.get(key))}
    quantities = comparison["quantities"]
    top = max(one["p90"] for values in lines.values() for one in values)
    steps, word = (MINUTE_STEPS, duration) if key.endswith("_min") else (HOUR_STEPS, hours)
    every = next((step for step in steps if top / step <= 5), steps[-1])
    scale = Scale(quantities[0], quantities[-1], top * 1.04)
    drawn = [_curve(process, values, scale) for process, values in lines.items()]
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "left": LEFT,
        "right": WIDTH - RIGHT,
        "foot": HEIGHT - BELOW,
        "y_ticks": [{"y": scale.y(step * every), "text": word(step * every)} for step in range(int(top / every) + 1)],
        "x_ticks": _x_ticks(quantities, scale),
        "curves": _names_apart(drawn),
        "mark": scale.x(quantity) if quantity and quantities[0] <= quantity <= quantities[-1] else None,
        "quantity": quantity,
    }


class Scale:
    """Quantity by its logarithm to the right, time upwards [px]."""

    def __init__(self, first: float, last: float, top: float) -> None:
        self.first, self.top = first, top
        self.span = log(last / first) if last > first else 1.0

    def x(self, quantity: float) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * log(quantity / self.first) / self.span, 1)

    def y(self, value: float) -> float:
        return round(HEIGHT - BELOW - (HEIGHT - ABOVE - BELOW) * value / self.top, 1)


def _curve(process: str, values: Sequence[AtQuantity], scale: Scale) -> dict[str, Any]:
    points = [(scale.x(one["quantity"]), scale.y(one["p50"])) for one in values]
    upper = [(scale.x(one["quantity"]), scale.y(one["p90"])) for one in values]
    lower = [(scale.x(one["quantity"]), scale.y(one["p10"])) for one in reversed(values)]
    dash, mark = STYLES.get(process, ("solid", "circle"))
    return {
        "process": process,
        "dash": dash,
        "mark": mark,
        "points": points,
        "line": _polyline(points),
        "band": _polyline(upper + lower) + "Z",
        "name_y": points[-1][1],
    }


def _polyline(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:g} {y:g}" for x, y in points)


def _names_apart(drawn: list[dict[str, Any]], least: float = 13.0) -> list[dict[str, Any]]:
    """Names at the right end moved so far apart that they can be read, none below the axis."""
    in_order = sorted(drawn, key=lambda one: one["name_y"])
    above = -1e9
    for curve in in_order:
        curve["name_y"] = above = max(curve["name_y"], above + least)
    below = HEIGHT - BELOW + least
    for curve in reversed(in_order):
        curve["name_y"] = below = min(curve["name_y"], below - least)
    return drawn


def _x_ticks(quantities: Sequence[int], scale: Scale) -> list[dict[str, Any]]:
    """Quantities whose names do not touch."""
    ticks: list[dict[str, Any]] = []
    for quantity in quantities:
        x = scale.x(quantity)
        if not ticks or x - ticks[-1]["x"] >= 9 + 7 * len(str(quantity)):
            ticks.append({"x": x, "text": str(quantity)})
    return ticks
