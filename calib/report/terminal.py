"""What a command says to a person: its document as a short text with tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from io import StringIO
from typing import Any

from rich import box
from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from calib.report import sentences
from calib.report.units import change, count, day, duration, known, share, signed_percent, stage_name

Document = Mapping[str, Any]
WIDTH = 110


def as_text(*shown: RenderableType, width: int = WIDTH) -> str:
    """Plain text of tables and sentences, without colours: it may go to a file."""
    out = StringIO()
    console = Console(file=out, width=width, no_color=True, highlight=False, legacy_windows=False)
    for one in shown:
        console.print(Text(one) if isinstance(one, str) else one, soft_wrap=isinstance(one, str))
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines())


def table(columns: str, rows: Iterable[Iterable[Any]]) -> Table:
    """Columns are named in one text, numbers (named with a leading '>') to the right."""
    made = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for name in columns.split("|"):
        made.add_column(name.lstrip(">"), justify="right" if name.startswith(">") else "left", overflow="fold")
    for row in rows:
        made.add_row(*(Text("" if cell is None else str(cell)) for cell in row))
    return made


def show_import(doc: Document) -> str:
    """What became of every row of every file, then what waits for a person, then the next step."""
    kinds = ("read", "new", "corrected", "repeated", "held", "quarantined")
    rows = [[one["path"], one.get("kind"), *(one.get(f"rows_{kind}") for kind in kinds)] for one in doc["files"]]
    shown: list[RenderableType] = [table("file|kind|>read|>new|>corrected|>repeated|>held|>set aside", rows)]
    shown += [f"{one['path']}: {one['error']}" for one in doc["files"] if one.get("error")]
    shown += [f"Set aside: {sentence}" for sentence in (quarantine_sentence(one) for one in listed(doc, "quarantine"))]
    for key in ("warnings", "review", "silent_machines", "next_steps"):
        shown += [told(one) for one in listed(doc, key)]
    return as_text(*shown)


def listed(doc: Document, key: str) -> list[Any]:
    return [one for one in (doc.get(key) or ()) if one]


def told(one: Any) -> str:
    """A sentence as it stands, or a record as 'key value, key value'."""
    if isinstance(one, Mapping):
        return ", ".join(f"{stage_name(str(key))} {value}" for key, value in one.items() if value is not None)
    return str(one)


def quarantine_sentence(one: Any) -> str:
    if not isinstance(one, Mapping):
        return str(one)
    place = ", ".join(
        f"{word}{one[key]}" for key, word in (("path", ""), ("line", "line "), ("column", "column ")) if one.get(key)
    )
    value = f'"{one["value"]}": ' if one.get("value") is not None else ""
    return f"{place}: {value}{one.get('reason', '')}"


def show_fit(doc: Document) -> str:
    """How many runs were learned from, and how each stage compares with its baseline."""
    rows = [
        [cell["process"], stage_name(cell["stage"]), cell["runs"], ratio(cell["ratio_p50"]), usual(cell["spread"])]
        for cell in doc["cells"]
    ]
    shown: list[RenderableType] = [f"Learned from {count(doc['runs_used'], 'run')} up to {doc['as_of']}."]
    shown += [f"Left out: {count(number, 'run')}, {reason}." for reason, number in doc["runs_left_out"].items()]
    shown += [below_floor_sentence(one) for one in listed(doc, "below_floor")]
    return as_text(*shown, table("process|stage|>runs|>actual / baseline|>usually within", rows))


def below_floor_sentence(one: Document) -> str:
    return (
        f"LOOK AT ONCE: build {one['build_id']}, {stage_name(one['stage'])}: {duration(one['actual_min'])}, below the "
        f"data sheet's floor of {duration(one['floor_min'])}. Not learned from."
    )


def ratio(value: float | None) -> str:
    return f"{value:.2f}" if known(value) else ""


def usual(spread: float | None) -> str:
    """Middle 80 % of a log-normal with this sd of the log, as a factor either way."""
    return f"÷ × {2.718281828 ** (1.2816 * spread):.2f}" if spread is not None and known(spread) else ""


def show_predict(doc: Document) -> str:
    """One line for each build: its total; the stages are in the CSV."""
    rows = listed(doc, "predictions")
    totals = [row for row in rows if row["stage"] == "total"] or rows
    shown: list[RenderableType] = [
        table(
            "build|process|>p10|>half the time|>p90|>runs behind",
            [
                [
                    row["build_id"],
                    row["process"],
                    *(duration(row[f"p{q}_min"]) for q in (10, 50, 90)),
                    row["runs_behind"],
                ]
                for row in totals
            ],
        )
    ]
    shown += [told(one) for one in (*listed(doc, "warnings"), *listed(doc, "rows_set_aside"))]
    if doc.get("out"):
        shown.append(f"All stages: {doc['out']}")
    return as_text(*shown)


def show_drift(doc: Document) -> str:
    """What moved, in a short table; steady and too-few-runs stages as a count."""
    moved = [stage for stage in doc["stages"] if stage["state"] == "drifting"]
    few = [stage for stage in doc["stages"] if stage["state"] == "too_few_runs"]
    shown: list[RenderableType] = [sentences.moved_sentence(doc)]
    if moved:
        shown.append(
            table("process|stage|>change|90 % range|since about|>a build|most of it from", map(drift_row, moved))
        )
    for stage in moved:
        shown += [f"{sentences.name_of(stage)}: {line}" for line in sentences.look_first(stage)]
    if few:
        shown.append(f"{count(len(few), 'stage')} have too few runs to tell.")
    shown += [told(one) for one in listed(doc, "warnings")]
    shown.append(
        f"Up to {doc['as_of']}; set for {doc['false_alarms_per_year']:g} false alarms a year in the whole lab."
    )
    return as_text(*shown)


def drift_row(stage: Document) -> list[str]:
    low, high = signed_percent(stage["change_pct_low"]), signed_percent(stage["change_pct_high"])
    first = next(iter(stage["slices"]), None)
    return [
        stage["process"],
        stage_name(stage["stage"]),
        signed_percent(stage["change_pct"]),
        f"{low} to {high}",
        day(stage["since"]),
        change(stage["minutes_per_build"]),
        f"{stage_name(first['by'])} {first['value']}" if first else "cannot tell",
    ]


def show_backtest(doc: Document) -> str:
    """Whether the ranges were honest, over all and by stage."""
    levels = ("50", "80", "90", "95")
    rows = [
        [cell["process"], stage_name(cell["stage"]), cell["predictions"]]
        + [share(cell["coverage"][level]) for level in levels]
        for cell in doc["cells"]
    ]
    over_all = ", ".join(f"{share(doc['coverage'][level])} of {level} %" for level in levels)
    better = sharper(doc.get("interval_score"), doc.get("interval_score_baseline_only"))
    return as_text(
        f"{count(doc['predictions'], 'prediction')} in {count(doc['weeks'], 'week')}, none looked ahead.",
        f"Held: {over_all}.",
        *better,
        table("process|stage|>predictions|>held of 50 %|>of 80 %|>of 90 %|>of 95 %", rows),
    )


def sharper(score: float | None, baseline: float | None) -> list[str]:
    if score is None or not baseline:
        return []
    return [
        f"Interval score {score:.3f} (lower is better); the baseline alone {baseline:.3f}: "
        f"{signed_percent(100 * (score / baseline - 1))}."
    ]


def show_measure(doc: Document) -> str:
    """Geometry of one part."""
    low, high = doc["bounds_mm"]
    size = " × ".join(f"{b - a:.1f}" for a, b in zip(low, high, strict=True))
    volume = f"{doc['volume_cm3']:.2f} cm³" if known(doc["volume_cm3"]) else "not meaningful (the mesh is open)"
    lines = [
        f"Size {size} mm, volume {volume}, surface {doc['area_cm2']:.1f} cm².",
        f"{count(doc['bodies'], 'body', 'bodies')}, {'closed' if doc['watertight'] else 'not closed'} as found.",
        *(told(one) for one in listed(doc, "warnings") + listed(doc, "notes")),
    ]
    layers = doc.get("layers")
    if layers:
        greatest = max(layer["area_mm2"] for layer in layers)
        lines.append(f"{count(len(layers), 'layer')}, greatest section {greatest / 100:.1f} cm².")
    return as_text(*lines)
