"""What the model learned, foretells, and was worth: fit, predict and backtest as short texts with tables."""

from __future__ import annotations

import math

from calib.documents.model import BacktestDocument, FitDocument, PredictDocument, Prediction, ScoredJobs
from calib.report.sentences import below_floor_sentence
from calib.report.terminal import RenderableType, as_text, listed, table, told
from calib.report.terminal_import import log_next_lines
from calib.report.units import count, duration, known, share, signed_percent, stage_name


def show_fit(doc: FitDocument) -> str:
    """How many runs were learned from, and how each stage compares with its baseline."""
    rows = [
        [
            cell["process"],
            stage_name(cell["stage"]),
            cell["runs"],
            ratio(cell["ratio_p50"]),
            usual(cell["ratio_p50"], cell["spread"]),
        ]
        for cell in doc["cells"]
    ]
    shown: list[RenderableType] = [f"Learned from {count(doc['runs_used'], 'run')} up to {doc['as_of']}."]
    shown += listed(doc, "warnings")
    shown += [f"Left out: {count(number, 'run')}, {reason}." for reason, number in doc["runs_left_out"].items()]
    shown += [f"{below_floor_sentence(one)} Not learned from." for one in listed(doc, "below_floor")]
    shown.append(table("process|stage|>runs|>actual / baseline|>8 of 10 times within", rows))
    return as_text(*shown, *log_next_lines(doc))


def ratio(value: float | None) -> str:
    return f"{value:.2f}" if known(value) else ""


def usual(middle: float | None, spread: float | None) -> str:
    """Low and high of the middle 80 % of a log-normal with this middle and sd of the log.

    >>> usual(1.25, 0.3), usual(None, 0.3)
    ('0.85 to 1.84', '')
    """
    if middle is None or spread is None or not (known(middle) and known(spread)):
        return ""
    factor = math.exp(1.2816 * spread)
    return f"{middle / factor:.2f} to {middle * factor:.2f}"


def show_predict(doc: PredictDocument) -> str:
    """One line for each build: its whole; the stages are in the CSV."""
    fewest: dict[str, int] = {}
    for row in listed(doc, "predictions"):
        if row["stage"] != "total":
            fewest[row["build_id"]] = min(row["runs_behind"], fewest.get(row["build_id"], row["runs_behind"]))
    rows = [
        [row["build_id"], row["process"], duration(row["p50_min"]), within(row), fewest.get(row["build_id"], 0)]
        for row in listed(doc, "predictions")
        if row["stage"] == "total"
    ]
    shown: list[RenderableType] = [
        table("build|process|>usual|>8 of 10 times within|>fewest runs behind a stage", rows)
    ]
    shown += [told(one) for one in (*listed(doc, "warnings"), *listed(doc, "rows_set_aside"))]
    shown.append(f"Every stage: {doc['out']}" if doc.get("out") else "Every stage: the same with --out ranges.csv")
    return as_text(*shown)


def within(row: Prediction) -> str:
    return f"{duration(row['p10_min'])} to {duration(row['p90_min'])}"


def show_backtest(doc: BacktestDocument) -> str:
    """Whether the ranges were right, over all and by stage."""
    levels = ("50", "80", "90", "95")
    rows = [
        [cell["process"], stage_name(cell["stage"]), cell["predictions"]]
        + [share(cell["coverage"][level]) for level in levels]
        for cell in doc["cells"]
    ]
    first, *others = (f"{level} %: {share(doc['coverage'][level])}" for level in levels)
    over_all = f"Meant {first} ended inside. {' '.join(f'Meant {other}.' for other in others)}"
    better = sharper(doc.get("interval_score"), doc.get("interval_score_baseline_only"))
    return as_text(
        f"{count(doc['predictions'], 'prediction')} in {count(doc['weeks'], 'week')}, none looked ahead.",
        over_all,
        *better,
        table("process|stage|>predictions|>held of 50 %|>of 80 %|>of 90 %|>of 95 %", rows),
        *_whole_jobs(doc.get("jobs") or []),
    )


def _whole_jobs(jobs: list[ScoredJobs]) -> list[RenderableType]:
    """Past builds and orders, each as one thing."""
    if not jobs:
        return []
    rows = [
        [one["kind"], one["process"] or "all", one["jobs"]]
        + [share(one["finish"]["coverage"][level]) for level in ("50", "80", "90")]
        + [share(one["work"]["coverage"]["80"]), _off(one["off_h"])]
        for one in jobs
    ]
    return [
        "Whole builds and orders, from the state of the minute in which each began to its end:",
        table("job|process|>jobs|>finish held of 50 %|>of 80 %|>of 90 %|>work held of 80 %|>came", rows),
    ]


def _off(hours: float | None) -> str:
    """How much sooner or later jobs came than was expected in the middle."""
    if hours is None:
        return ""
    return f"{abs(hours):.1f} h {'sooner' if hours > 0 else 'later'}"


def sharper(score: float | None, baseline: float | None) -> list[str]:
    if score is None or not baseline:
        return []
    return [
        f"Interval score {score:.3f} (lower is better); the baseline alone {baseline:.3f}: "
        f"{signed_percent(100 * (score / baseline - 1))}."
    ]
