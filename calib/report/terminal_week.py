"""What a weekly run says (nothing where nothing asks for a person), what was made or written, the demo, and the next step."""

from __future__ import annotations

import shlex

from calib.documents.quote import QuoteDocument
from calib.documents.shop import InitDocument, TemplatesDocument
from calib.documents.week import DemoDocument, ReportDocument, WeekDocument
from calib.report.promise_lines import promise_lines
from calib.report.sentences import below_floor_cautions, below_floor_sentence
from calib.report.terminal_drift import show_drift
from calib.report.terminal_import import next_lines
from calib.report.terminal_store import copy_line
from calib.report.units import count, duration


def show_init(doc: InitDocument) -> str:
    """What is there now, and the way from here to the first answer."""
    folder, named = doc["folder"], shlex.quote(doc["folder"])
    machines = ", ".join(f"{machine['id']} ({machine['process']})" for machine in doc["machines"])
    steps = [
        (f"{folder}/shop.toml", "put in your machines, materials and hours: every line says what it is"),
        (f"calib quote PART --qty 10 --shop {named}", "works at once: wide ranges, from physics alone"),
        (f"{folder}/parts", "put the meshes of parts here: a log that names one is reckoned from its exact layers"),
        (f"{folder}/templates/bench_card.html", "print it and hang it at the bench"),
        (f"{folder}/templates/logs.xlsx", f"or the CSV files: fill a copy in {doc['logs']}"),
        (f"calib import {shlex.quote(doc['logs'])} --shop {named}", "every week; what came before changes nothing"),
        (f"calib fit --shop {named}", "learn from it: the ranges get narrower"),
    ]
    wide = max(len(step) for step, _ in steps)
    return "\n".join(
        [
            f"A new shop is in {folder}. Time zone {doc['timezone']}; machines to begin with: {machines}.",
            doc["safety"],
            *doc["warnings"],
            "Next:",
            *(f"  {step:<{wide}}  {why}" for step, why in steps),
            f"Logs with other columns: calib map FILE --shop {named}; mappings kept in {doc['maps']} are used without a word.",
        ]
    )


def show_templates(doc: TemplatesDocument) -> str:
    """Which templates were written, and which hold rows and were left."""
    lines = [f"Written anew: {', '.join(doc['written'])}."] if doc["written"] else []
    left = doc["left_alone"]
    return "\n".join(lines + ([f"Left alone, because somebody has filled them: {', '.join(left)}."] if left else []))


def show_report(doc: ReportDocument) -> str:
    return "\n".join(
        [*promise_lines(doc["open_promises"]), *doc["sentences"], *doc["warnings"], f"Page: {doc['page']}"]
    )


def show_demo_answers(doc: DemoDocument) -> str:
    """What is known before the page is written: import, fit, quotes and drift."""
    rows = sum(file["rows_read"] for file in doc["import"]["files"])
    aside = sum(file["rows_quarantined"] for file in doc["import"]["files"])
    lines = [
        f"An invented lab that makes river gauges is in {doc['folder']}.",
        f"Import  {rows} rows of half a year read, {aside} set aside with their reasons.",
        f"Fit     learned from {doc['fit']['runs_used']} runs of {len(doc['fit']['cells'])} stages.",
        f"Quote   {doc['part']}, start {doc['start'].replace('T', ' ')}; usual time, and the range that holds 8 of 10 times:",
    ]
    for quote in doc["quotes"]:
        lines.append(
            f"  {quote['quantity']:>3} {'part ' if quote['quantity'] == 1 else 'parts'}  {'   '.join(_best_of_each(quote))}"
        )
    return "\n".join([*lines, "Drift", *("  " + line for line in show_drift(doc["drift"]).splitlines())])


def show_demo_page(doc: DemoDocument) -> str:
    """The rest: where the page is, and what to try next."""
    folder = shlex.quote(doc["folder"])
    lines = [
        f"Page    {doc['page']}",
        "Try next:",
        f"  calib quote {folder}/parts/{doc['part']} --qty 10 --shop {folder} --stages",
        f"  calib compare {folder}/parts/float_housing.stl --qty 1:60 --shop {folder}",
        f"  calib predict {folder}/plan.csv --out ranges.csv --shop {folder}",
        f"  calib review --shop {folder}",
        f"  calib backtest --shop {folder}",
        f"  calib serve --shop {folder}",
        f"Done in {doc['seconds']} s.",
    ]
    return "\n".join(lines)


def _best_of_each(quote: QuoteDocument) -> list[str]:
    """The soonest option of each process, as 'MEX 6 h (4 h to 26 h)'."""
    best: dict[str, str] = {}
    for option in quote["options"]:
        lead = option["lead_time_h"]
        middle, low, high = (duration(60 * lead[name]) for name in ("p50", "p10", "p90"))
        best.setdefault(option["process"], f"{option['process']} {middle} ({low} to {high})")
    return list(best.values())


def show_week(doc: WeekDocument) -> str:
    """The week's sentences, where the page is and the next steps.

    Of a quiet week nothing, so that a scheduler stays silent, or one line where rows wait for their build.
    """
    if doc["quiet"]:
        return "\n".join(_held(doc))
    steps = doc["next_steps"]
    copy = doc["import"]["copy"]
    copied = [copy_line(copy)] if copy else []
    return "\n".join([*_imported(doc), *_page(doc), *copied, *(next_lines(steps) if steps else [])])


def _imported(doc: WeekDocument) -> list[str]:
    unread = [file for file in doc["import"]["files"] if file.get("error")]
    lines = [f"Not read: {file['error']} {'' if file['is_unknown'] else file['hint']}".rstrip() for file in unread]
    aside = [f"{count(doc['newly_set_aside'], 'row')} newly set aside."] if doc["newly_set_aside"] else []
    return lines + aside + _held(doc)


def _held(doc: WeekDocument) -> list[str]:
    rows = doc["newly_held"]
    return (
        [f"{count(rows, 'row')} came that {'waits' if rows == 1 else 'wait'} for a build or order no log has yet."]
        if rows
        else []
    )


def _page(doc: WeekDocument) -> list[str]:
    report = doc["report"]
    if report is None:
        new = sum(file.get("rows_new", 0) for file in doc["import"]["files"])
        return [f"{count(new, 'new row')} stored, no page yet: {doc['why_not']}"]
    below = [below_floor_sentence(run) for run in report["below_floor"]]
    below += below_floor_cautions(report["below_floor"])
    return [
        *below,
        *promise_lines(report["open_promises"]),
        *(sentence for sentence in report["sentences"] if sentence not in below),
        *report["warnings"],
        f"Page: {report['page']}",
    ]
