"""The week in one HTML page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from calib.report import sentences
from calib.report.base import render
from calib.report.charts import hours_chart, run_chart, small_chart
from calib.report.units import count, share

Document = Mapping[str, Any]
LONGEST_TABLE = 60
CHART_TOLD = (
    "Points: runs, from plan (triangles lie outside the picture). Band: where four of five were expected at the time. "
    "Dashed line: the change. Point at a run, or tap it, to see its build."
)


def week_page(data: Document) -> str:
    """One self-contained HTML page from the documents of a week.

    data : all keys optional, a part of the page is left out where its key is absent or None

        shop : name of the lab
        as_of : 'YYYY-MM-DD', last day looked at (else the drift document's, else the fit's)
        fit : the contract's ``fit`` document
        drift : the contract's ``drift`` document with ``chart`` data, as ``drift.check.check_drift`` returns it
        backtest : the contract's ``backtest`` document
        promises : quotes against what came: {'quotes', 'held' (share inside the range), 'on_time' (share),
            'lines': [text]}
        time_goes : {'rows': [{'process', 'touch_min', 'machine_min', 'wait_min', 'builds'}],
            'bottleneck': a row of ``weekly_load`` (resource, kind, load 0..1) or None, 'since': date}
        health : {'silent_machines': [{'machine', 'last'}], 'quarantined', 'held', 'to_confirm': numbers,
            'below_floor': [{'build_id', 'stage', 'actual_min', 'floor_min'}], 'lines': [text]}
        notes : [text], put at the end of data health

    Returns the page as text; it is whole without a script and fetches nothing.
    """
    drift = data.get("drift")
    stages = [dict(stage) for stage in drift["stages"]] if drift else []
    charts = stages + [dict(stage) for stage in (drift or {}).get("together", ())]
    return render(
        "week.html",
        shop=data.get("shop"),
        as_of=as_of(data),
        sentences=sentences.three_sentences(data),
        moved=[moved_view(stage) for stage in sorted(filter(drifting, charts), key=sentences.cost, reverse=True)],
        beside=beside(charts),
        nothing_moved=sentences.moved_sentence(drift),
        promises=promises_view(data.get("backtest"), data.get("promises")),
        time_goes=time_view(data.get("time_goes")),
        stages=[small_view(stage) for stage in stages],
        health=sentences.health_lines(data) + [str(note) for note in data.get("notes") or ()],
        foot=foot(data),
    )


def as_of(data: Document) -> str | None:
    documents = [data, data.get("drift") or {}, data.get("fit") or {}]
    return next((one["as_of"] for one in documents if one.get("as_of")), None)


def drifting(stage: Document) -> bool:
    return bool(stage["state"] == "drifting")


def beside(stages: list[dict[str, Any]]) -> list[str]:
    """What is no change of level: stages that became erratic, and causes of what only looks like one."""
    lines = [(stage, str(line)) for stage in stages if not drifting(stage) for line in stage.get("causes", ())]
    lines += [(stage, sentences.erratic_sentence(stage["erratic"])) for stage in stages if stage.get("erratic")]
    return [f"{sentences.name_of(stage)}: {line}" for stage, line in lines]


def moved_view(stage: dict[str, Any]) -> dict[str, Any]:
    quicker = (stage["change_pct"] or 0) < 0
    told = sentences.change_sentence(stage)
    chart = stage.get("chart")
    return stage | {
        "quicker": quicker,
        "word": "▼ quicker" if quicker else "▲ slower",
        "told": told,
        "from": sentences.where_from(stage),
        "svg": run_chart(chart, f"{sentences.name_of(stage)}: {told}") if chart else None,
        "chart_told": CHART_TOLD,
        "look_first": sentences.look_first(stage),
        "table": runs_since(chart),
    }


def runs_since(chart: Document | None) -> list[dict[str, Any]]:
    """The last runs from the change on, newest first."""
    if not chart or not chart.get("since"):
        return []
    builds = chart["build_id"] or [""] * len(chart["at"])
    runs = [
        {"at": at, "build": build, "minutes": minutes, "pct": pct}
        for at, build, minutes, pct in zip(chart["at"], builds, chart["actual_min"], chart["actual_pct"], strict=True)
        if at[:10] >= chart["since"]
    ]
    return runs[::-1][:LONGEST_TABLE]


def small_view(stage: dict[str, Any]) -> dict[str, Any]:
    told = sentences.steady_sentence(stage)
    chart = stage.get("chart")
    drawn = chart is not None and stage["state"] != "too_few_runs"
    return stage | {
        "told": told,
        "svg": small_chart(chart, f"{sentences.name_of(stage)}: {told}") if drawn and chart else None,
    }


def promises_view(backtest: Document | None, promises: Document | None) -> dict[str, Any] | None:
    if not backtest and not promises:
        return None
    lines = [sentences.promise_sentence(backtest)] if backtest else []
    if promises and promises.get("quotes"):
        lines.append(
            f"{count(promises['quotes'], 'quote')} came to an end: {share(promises.get('held'))} inside their range, "
            f"{share(promises.get('on_time'))} on time."
        )
    lines += (promises or {}).get("lines", [])
    cells = [cell for cell in (backtest or {}).get("cells", ()) if cell["coverage"].get("80") is not None]
    rows = [
        {**cell, "held": cell["coverage"]["80"], "says": sentences.judged(cell["coverage"]["80"], room=room(cell))}
        for cell in sorted(cells, key=lambda cell: cell["coverage"]["80"])
    ]
    off = [row for row in rows if row["says"] != "honest"]
    if rows:
        steady = len(rows) - len(off)
        lines.append(
            f"Of {count(len(rows), 'stage')} by itself, {steady} {'was' if steady == 1 else 'were'} honest as far as its runs can tell."
        )
    return {"lines": lines, "off": off, "rows": rows}


def room(cell: Document) -> float:
    """Two binomial standard errors: how far a cell's coverage may lie from 80 % by luck."""
    return 2 * (0.8 * 0.2 / max(1, cell["predictions"])) ** 0.5


def time_view(time_goes: Document | None) -> dict[str, Any] | None:
    if not time_goes or not time_goes.get("rows"):
        return None
    rows = [
        {"touch_min": None, "machine_min": None, "wait_min": None, "builds": None, **row} for row in time_goes["rows"]
    ]
    line = sentences.bottleneck_sentence(rows, time_goes.get("bottleneck"))
    return {"rows": rows, "lines": [line], "svg": hours_chart(rows, "Hours for each process: " + line)}


def foot(data: Document) -> str:
    fit, drift = data.get("fit"), data.get("drift")
    parts = []
    if fit:
        parts.append(f"Learned from {count(fit['runs_used'], 'run')} up to {fit['as_of']}.")
    if drift:
        parts.append(f"Charts are set for {drift['false_alarms_per_year']:g} false alarms a year in the whole lab.")
    return " ".join([*parts, "Times are estimates for planning."])
