"""The days of a week and the hours in which a shop is open, as the shop file, the store and the plan have them."""

from __future__ import annotations

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
DAYS = tuple(day.lower() for day in WEEKDAYS)  # as the shop file writes them
DAY_MIN = 24 * 60
Spans = tuple[tuple[int, int], ...]  # (from, to) of a day, minutes of the local day; after midnight more than 1440
Hours = tuple[Spans, ...]  # of each day of the week, Monday first


def until(hours: Hours | None, time: str) -> Hours:
    """Opening hours of which each day ends at a time like '16:00' at the latest.

    >>> until((((480, 1020),),) * 2, "16:00")
    (((480, 960),), ((480, 960),))
    """
    latest = 60 * int(time[:2]) + int(time[3:])
    week = hours if hours is not None else (((0, DAY_MIN),),) * 7
    return tuple(tuple((a, min(b, latest)) for a, b in spans if a < latest) for spans in week)
