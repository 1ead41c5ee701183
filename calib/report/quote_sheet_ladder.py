"""The usual course of an option: days side by side, hours downwards, three lanes a day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from calib.documents.quote import Course
from calib.report.units import stage_name
from calib.report.when import clock_time, short_day

DAYS_SHOWN = 9
IN_WORDS = 40


def ladder(course: Sequence[Course], start: str | None = None) -> dict[str, Any]:
    """Days with their spans, cut at midnight; how many days more there are; the course in words.

    Days without work are left out where the course is longer than DAYS_SHOWN.
    """
    spans: dict[date, list[dict[str, Any]]] = {}
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


def _pieces(span: Course) -> list[tuple[date, dict[str, Any]]]:
    begin, end = datetime.fromisoformat(span["from"]), datetime.fromisoformat(span["to"])
    end = end.astimezone(begin.tzinfo)
    pieces = []
    while begin < end:
        midnight = begin.replace(hour=0, minute=0) + timedelta(days=1)
        until = min(end, midnight)
        piece = {
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


def _mark(when: str | None, shown: Sequence[date]) -> dict[str, Any] | None:
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
    told = [
        f"{clock_time(span['from'])} to {clock_time(span['to'])}: {stage_name(span['stage'])} "
        f"({lanes[span['lane']]}, {span['job']})"
        for span in course[:IN_WORDS]
    ]
    return [*told, f"... and {len(course) - IN_WORDS} more"] if len(course) > IN_WORDS else told
