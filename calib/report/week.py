"""The week in one page."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import datetime
from itertools import groupby
from typing import Any, TypeVar

from calib.documents.drift import ChartData, SliceRow, StageDrift
from calib.documents.model import BacktestDocument
from calib.documents.promises import PromisesDocument, RangeScore
from calib.documents.week import TimeGoes, WeekData
from calib.report import sentences, stage_sentences
from calib.report.base import render
from calib.report.charts import hours_chart, run_chart, small_chart
from calib.report.dots import DotRow, PageCalendar, page_calendar
from calib.report.peers import peers_view
from calib.report.promise_lines import promise_state, promises_sentence
from calib.report.stage_sentences import look_first
from calib.report.units import clock_time, count, day, half_day_time

LONGEST_TABLE = 60
MOST_DRAWN = 12  # alarms with a picture of their runs, the most urgent ones
MOST_COMPARED = 8  # slices shown of an alarm
MOST_PROMISES = 8  # with a row of dots
MOST_OFF = 12  # stages whose ranges held worst, shown unfolded
UNBROKEN = r"(?<=\d) (?=%|(?:min|h|Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b)"  # a number stays with its unit
Picture = TypeVar("Picture")
PHONE = 330  # px


def week_page(data: WeekData) -> str:
    """One self-contained HTML page from the documents of a week.

    data : all keys optional, a part of the page is left out where its key is absent or None

        shop : name of the lab
        as_of : 'YYYY-MM-DD', last day looked at (else the drift document's, else the fit's)
        fit : the ``fit`` document (docs/interface.md)
        drift : the ``drift`` document (docs/interface.md) with ``chart`` data, as ``drift.check.check_drift`` returns it
        backtest : the ``backtest`` document (docs/interface.md)
        open_promises : the document of ``workflow.promises.find_promises``
        quotes : those whose parts were packed in the same weeks: ``score_ranges`` of the quoting room, and 'in_time'
        time_goes : {'rows': [{'process', 'touch_min', 'machine_min', 'wait_min', 'builds'}],
            'bottleneck': the first row of ``calib capacity``, with 'lead_time_h', or None; 'since': date,
            'printed', 'failed': numbers of builds whose printing began in those weeks}
        health : {'silent_machines': [{'machine', 'last'}], 'quarantined', 'held', 'to_confirm': numbers,
            'questions': [text], 'below_floor': [{'build_id', 'stage', 'actual_min', 'floor_min'}], 'lines': [text]}
        peers : the ``peers`` of the last ``calib backtest --peers``, None where there was none
        notes : [text], put at the end of data health

    Returns the page as text; it is whole without a script and fetches nothing.
    """
    page = render("week.html", live=False, **week_values(data))
    return unbroken(page)


def unbroken(page: str) -> str:
    return re.sub(UNBROKEN, "\N{NO-BREAK SPACE}", page)


def week_values(data: WeekData) -> dict[str, Any]:
    """What the page's template is filled with."""
    drift = data.get("drift")
    charts = sentences.charts_of(drift)
    today = drift["as_of"] if drift else ""
    moved = stage_sentences.most_urgent(charts, today)
    return {
        "shop": data.get("shop"),
        "as_of": as_of(data),
        "sentences": sentences.three_sentences(data),
        "moved": [moved_view(stage, today, place < MOST_DRAWN) for place, stage in enumerate(moved)],
        "beside": stage_sentences.beside(charts),
        "nothing_moved": "" if any(map(stage_sentences.drifting, charts)) else sentences.moved_sentence(drift),
        "open_promises": open_promises_view(data.get("open_promises")),
        "promises": promises_view(data.get("backtest"), data.get("quotes")),
        "time_goes": time_view(data.get("time_goes")),
        "processes": processes_view(charts),
        "health": health_view(data),
        "peers": peers_view(data["peers"], as_of(data) or "") if "peers" in data else None,
        "foot": foot(data),
    }


def as_of(data: WeekData) -> str | None:
    drift, fit = data.get("drift"), data.get("fit")
    return data.get("as_of") or (drift["as_of"] if drift else None) or (fit["as_of"] if fit else None)


def moved_view(stage: StageDrift, today: str, drawn: bool) -> dict[str, Any]:
    marked = marked_where_erratic(stage)
    chart = marked.get("chart")
    return {
        "process": stage["process"],
        "stage": stage["stage"],
        **(level_view if stage_sentences.drifting(stage) else spread_view)(stage, today),
        "name": stage_sentences.name_of(stage),
        "chart": for_each_width(run_chart, marked, stage_sentences.picture_sentence(marked))
        if chart and drawn
        else None,
        "compared": by_factor([part for part in stage["slices"] if not part.get("ask")])[:MOST_COMPARED],
        "look_first": look_first(stage),
        "table": newest_runs(chart),
    }


def level_view(stage: StageDrift, today: str) -> dict[str, Any]:
    quicker = (stage["change_pct"] or 0) < 0
    sentences_ = [
        stage_sentences.change_sentence(stage),
        *stage_sentences.raised(stage, today),
        *stage_sentences.spread_too(stage),
    ]
    return {
        "quicker": quicker,
        "word": "▼ quicker" if quicker else "▲ slower",
        "sentence": " ".join(sentences_),
        "from": stage_sentences.where_from(stage),
    }


def spread_view(stage: StageDrift, today: str) -> dict[str, Any]:
    sentences_ = [
        *stage_sentences.spread_too(stage),
        "Its usual time is what it was, but ranges and promises widen.",
        *stage_sentences.raised(stage, today),
    ]
    return {"quicker": False, "word": "↕ more erratic", "sentence": " ".join(sentences_), "from": None}


def marked_where_erratic(stage: StageDrift) -> StageDrift:
    """The stage with the change of its spread marked in its chart, where its level did not change."""
    spread, chart = stage.get("erratic"), stage.get("chart")
    if stage_sentences.drifting(stage) or not spread or not chart:
        return stage
    return {**stage, "since": spread["since"], "chart": {**chart, "since": spread["since"]}}


def by_factor(slices: list[SliceRow]) -> list[SliceRow]:
    """Slices of one factor beside each other, factors in the order of their first."""
    order = list(dict.fromkeys(part["by"] for part in slices))
    return sorted(slices, key=lambda part: order.index(part["by"]))


def for_each_width(draw: Callable[..., Picture], *what: Any) -> tuple[Picture, Picture]:
    """The same picture for a wide page and for a phone: text in it keeps its size, the style sheet shows one of them."""
    return draw(*what), draw(*what, width=PHONE)


def newest_runs(chart: ChartData | None) -> list[dict[str, Any]]:
    """The last runs, newest first: what the picture shows, for those who cannot point at it."""
    if not chart:
        return []
    builds = chart["build_id"] or [""] * len(chart["at"])
    runs = zip(chart["at"], builds, chart["actual_min"], chart["actual_pct"], strict=True)
    listed = [{"at": at, "build": build, "minutes": minutes, "pct": pct} for at, build, minutes, pct in runs]
    return listed[: -LONGEST_TABLE - 1 : -1]


def processes_view(charts: Sequence[StageDrift]) -> list[dict[str, Any]]:
    """The stages of each process: those that are drawn, and in words those with too few runs."""
    views = []
    for process, stages in groupby(
        sorted(charts, key=lambda stage: stage["process"]), key=lambda stage: stage["process"]
    ):
        listed = list(stages)
        few = [stage for stage in listed if stage["state"] == "too_few_runs"]
        views.append(
            {
                "process": process,
                "sentence": sentences.process_sentence(listed),
                "stages": [small_view(stage) for stage in listed if stage["state"] != "too_few_runs"],
                "few": sentences.few_runs_sentence(few),
            }
        )
    return views


def small_view(stage: StageDrift) -> dict[str, Any]:
    sentence, chart = stage_sentences.steady_sentence(stage), stage.get("chart")
    name = stage_sentences.word_of(stage)
    picture = small_chart(chart, f"{stage_sentences.name_of(stage)}: {sentence}") if chart else None
    moved = stage_sentences.drifting(stage) or stage_sentences.erratic(stage)
    return {"name": name, "moved": moved, "sentence": sentence, "chart": picture}


def open_promises_view(doc: PromisesDocument | None) -> dict[str, Any] | None:
    """Every open promise, those that are late or fell first."""
    if doc is None:
        return None
    rows = [
        {**promise, "due": half_day_time(promise["promised_at"], doc["start"]), "says": promise_state(promise)}
        for promise in doc["promises"]
    ]
    return {
        "sentence": promises_sentence(doc),
        "rows": rows,
        "today": clock_time(doc["start"]),
        "calendar": promises_calendar(doc),
    }


def promises_calendar(doc: PromisesDocument) -> PageCalendar | None:
    """Twenty such jobs from today's state for each open promise, the least sure first; None where none is forecast."""
    rows = [
        DotRow(
            row["quote_id"],
            list(map(datetime.fromisoformat, dots)),
            row["promised_at"],
            half_day_time(row["promised_at"], doc["start"]),
        )
        for row in doc["promises"]
        if (dots := row.get("ready_dots"))
    ]
    return page_calendar(rows[:MOST_PROMISES], doc["start"], doc.get("closed_days", ())) if rows else None


def promises_view(backtest: BacktestDocument | None, quotes: RangeScore | None) -> dict[str, Any] | None:
    if not backtest and not quotes:
        return None
    cells = backtest["cells"] if backtest else []
    judged: list[sentences.JudgedCell] = [
        {**cell, "held": held, "says": sentences.judged(held, cell["predictions"])}
        for cell in cells
        if (held := cell["coverage"].get("80")) is not None
    ]
    rows = sorted(judged, key=lambda row: row["held"])
    off = sorted((row for row in rows if row["says"] in sentences.OFF), key=lambda row: -abs(row["held"] - 0.8))
    lines = [sentences.promise_sentence(backtest), *sentences.each_stage(rows), sentences.quotes_sentence(quotes)]
    return {"lines": lines, "off": off[:MOST_OFF], "rows": rows}


def time_view(time_goes: TimeGoes | None) -> dict[str, Any] | None:
    if not time_goes or not time_goes.get("rows"):
        return None
    rows = time_goes["rows"]
    words = " ".join(map(sentences.hours_sentence, rows))
    return {
        "rows": [
            {"process": row["process"], "builds": row.get("builds"), "minutes": list(sentences.times_of(row).values())}
            for row in rows
        ],
        "kinds": sentences.KINDS_OF_TIME,
        "since": time_goes.get("since"),
        "lines": [
            sentences.bottleneck_sentence(rows, time_goes.get("bottleneck")),
            *sentences.failed_sentence(time_goes),
        ],
        "chart": for_each_width(hours_chart, rows, words),
    }


def health_view(data: WeekData) -> dict[str, Any] | None:
    health = data.get("health")
    notes = [str(note) for note in data.get("notes") or ()]
    if health is None and not notes:
        return None
    silent = [] if health is None or health.get("silent_machines") else ["All machines have sent logs."]
    return {
        "lines": (sentences.health_lines(data) or ["Nothing in the logs waits for a person."]) + silent + notes,
        "questions": health.get("questions", ()) if health else (),
    }


def foot(data: WeekData) -> str:
    fit, drift = data.get("fit"), data.get("drift")
    parts = []
    if fit:
        parts.append(f"Learned from {count(fit['runs_used'], 'run')} up to {day(fit['as_of'])}.")
    if drift:
        parts.append(f"Charts are set for {sentences.false_alarms(drift['false_alarms_per_year'])}.")
    return " ".join([*parts, "Times are estimates for planning."])
