"""Options as range bars on one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from calib.documents.quote import QuoteOption
from calib.report.units import MONTHS
from calib.report.when import short_day

BAR_WIDTH = 320.0
MOST_TICKS = 4
ROOM_FOR_A_DAY = 72.0  # px
STEPS = (1, 2, 4, 7, 14, 28, 56, 91, 182, 364, 728, 10**6)  # days between ticks


def range_bars(options: Sequence[QuoteOption], start: str, due: str | None) -> dict[str, Any]:
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

    def at(lead_h: float) -> float:
        return (lead_h - from_clock) * scale

    rows = [
        {
            "option": option,
            "low": at(option["lead_time_h"]["p10"]),
            "middle": at(option["lead_time_h"]["p50"]),
            "high": at(option["lead_time_h"]["p90"]),
        }
        for option in options
    ]
    x = at((asked - clock).total_seconds() / 3600) if asked else None
    shown = x if x is not None and 0 <= x <= BAR_WIDTH else None
    return {"rows": rows, "ticks": _ticks(first, hours, scale), "due": shown, "width": BAR_WIDTH}


def _ticks(first: datetime, hours: float, scale: float) -> list[dict[str, Any]]:
    """Midnights, at most MOST_TICKS, each with its day; over months the month and its year."""
    every = next(step for step in STEPS if hours / 24 / step <= MOST_TICKS)
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0)
    ticks = []
    while (at := (midnight - first).total_seconds() / 3600) < hours:
        if at >= 0:
            fits = BAR_WIDTH - at * scale > ROOM_FOR_A_DAY
            ticks.append({"x": at * scale, "text": _tick_text(midnight, every) if fits else ""})
        midnight += timedelta(days=every)
    return ticks


def _tick_text(midnight: datetime, every: int) -> str:
    if every < 14:
        return short_day(midnight.isoformat())
    return f"{midnight.day} {MONTHS[midnight.month - 1]} {midnight:%y}"
