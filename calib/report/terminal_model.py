"""What the model learned, foretells, was worth and explains: fit, predict, backtest and why as short texts with tables."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import RenderableType

from calib.documents.model import (
    BacktestDocument,
    Effect,
    FitDocument,
    Narrowing,
    PeersDocument,
    PredictDocument,
    Prediction,
    Residual,
    ScoredJobs,
    SecondLawFacts,
    TotalEffect,
    WhyDocument,
)
from calib.report.peers import EXPLAINED, MEASURE, peers_rows, peers_sentence
from calib.report.sentences import below_floor_sentence
from calib.report.terminal import as_sentence, as_text, listed, table
from calib.report.terminal_import import log_next_lines, own_route_lines
from calib.report.units import between, count, day, duration, share, signed_percent, stage_name, within


def show_fit(doc: FitDocument) -> str:
    """How many runs were learned from, and how each stage compares with its baseline."""
    rows = [
        [
            cell["process"],
            stage_name(cell["stage"]),
            cell["runs"],
            f"{cell['p50_ratio']:.2f}",
            f"{cell['p10_ratio']:.2f} to {cell['p90_ratio']:.2f}",
        ]
        for cell in doc["cells"]
    ]
    shown: list[RenderableType] = [f"Learned from {count(doc['runs_used'], 'run')} up to {doc['as_of']}."]
    if (prior := doc.get("prior")) and not prior.get("used", True):
        shown.append(
            "What other sites know is not used: the first runs here were nearer to what was expected without it."
        )
    shown += listed(doc, "warnings")
    shown += [f"Left out: {count(number, 'run')}, {reason}." for reason, number in doc["runs_left_out"].items()]
    shown += [f"{below_floor_sentence(run)} Not learned from." for run in listed(doc, "below_floor")]
    shown.append(table("process|stage|>runs|>actual / baseline|>8 of 10 times within", rows))
    return as_text(*shown, *own_route_lines(doc), *log_next_lines(doc))


def show_predict(doc: PredictDocument) -> str:
    """One line for each build: its whole; the stages are in the CSV."""
    fewest: dict[str, int] = {}
    for row in listed(doc, "predictions"):
        if row["stage"] != "total":
            fewest[row["build_id"]] = min(row["runs_behind"], fewest.get(row["build_id"], row["runs_behind"]))
    rows = [
        [
            row["build_id"],
            row["process"],
            within(row["p50_min"], row["p10_min"], row["p90_min"]),
            _range(row),
            fewest.get(row["build_id"], 0),
        ]
        for row in listed(doc, "predictions")
        if row["stage"] == "total"
    ]
    shown: list[RenderableType] = [
        table("build|process|>usual|>8 of 10 times within|>fewest runs behind a stage", rows)
    ]
    shown += [as_sentence(row) for row in (*listed(doc, "warnings"), *listed(doc, "rows_set_aside"))]
    shown.append(f"Every stage: {doc['out']}" if doc.get("out") else "Every stage: the same with --out ranges.csv")
    return as_text(*shown)


def _range(row: Prediction) -> str:
    return between(row["p10_min"], row["p90_min"])


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
        *_beside_peers(doc.get("peers")),
    )


def _beside_peers(peers: PeersDocument | None) -> list[RenderableType]:
    """Other models on the same runs, the best first."""
    if not peers:
        return []
    return [
        f"\n{peers_sentence(peers)}",
        table(f"model|>{MEASURE}|>held of 80 %|>took", peers_rows(peers)),
        EXPLAINED,
    ]


def _whole_jobs(jobs: list[ScoredJobs]) -> list[RenderableType]:
    """Past builds and orders, each as one thing."""
    if not jobs:
        return []
    rows = [
        [job["kind"], job["process"] or "all", job["jobs"]]
        + [share(job["finish"]["coverage"][level]) for level in ("50", "80", "90")]
        + [share(job["work"]["coverage"]["80"]), _off(job["off_h"])]
        for job in jobs
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
        f"Score (lower is better) {score:.3f}; the physics alone {baseline:.3f}: {signed_percent(100 * (score / baseline - 1))}."
    ]


ABOUT = {
    "whole": "all work of the lab",
    "level": "its drift over the weeks",
    "cell": "this stage of this process",
    "size": "the usual size of its work",
    "term": "what its baseline is made of",
    "basis": "what its baseline stands on",
    "operator": "people",
}
ORDER = ("whole", "process", "stage", "cell", "level")
BY_WHAT = {"size": "size of the job", "expected": "what the model expects", "spread": "how sure it is", "runs": "how often it was done", "time": "how long ago"}  # fmt: skip
WORTH_SAYING = 1.0  # narrowing by less than so many points of per cent is not worth a sentence


def show_why(doc: WhyDocument) -> str:
    """A typical run, where its correction comes from, the odd runs, and what would narrow the range."""
    name = f"{doc['process']} {stage_name(doc['stage'])}"
    ratios = {key: f"{value:.2f}" for key, value in doc["single_run"].items()}
    shown: list[RenderableType] = [
        f"{name}: a run takes {ratios['p50_ratio']} times its baseline, 8 of 10 runs {ratios['p10_ratio']} to "
        f"{ratios['p90_ratio']} times. {_behind(doc)}",
        "\nWhere that comes from. Multiply the lines to get the last one.",
        table(
            "part|>effect|>8 of 10 times|>runs behind",
            [*map(_part(doc), _in_order(doc)), _row("together", doc["total"])],
        ),
    ]
    if differences := _differences(doc):
        shown += ["\nAgainst the usual mix of its last runs:", table("what|>effect|>8 of 10 times|>runs", differences)]
    if people := _people(doc):
        shown.append(people)
    if doc["residuals"]:
        shown += ["\nThe runs that differed most from what was expected at the time:", _residual_table(doc)]
    shown += [f"\n{narrowing_sentence(doc['narrowing'])}"]
    if law := doc.get("second_law"):
        shown.append(trees_sentence(law))
    shown += doc["warnings"]
    return as_text(*shown)


def trees_sentence(law: SecondLawFacts) -> str:
    """When and by how much the second law is used.

    >>> trees_sentence({"weight": 0.7, "gain": 0.041, "rows": 1200, "leading": "size"})
    'Trees know 4 per cent better in this lab, mostly by size of the job: 70 per cent of each range is theirs.'
    """
    by = BY_WHAT.get(law["leading"], law["leading"])
    return (
        f"Trees know {100 * law['gain']:.0f} per cent better in this lab, mostly by {by}: "
        f"{100 * law['weight']:.0f} per cent of each range is theirs."
    )


def _behind(doc: WhyDocument) -> str:
    if not doc["runs"]:
        return "No run of it is logged yet: this is what the lab's other work says."
    return f"{count(doc['runs'], 'run')}, up to {day(doc['as_of'])}."


def _in_order(doc: WhyDocument) -> list[Effect]:
    return sorted(doc["parts"], key=lambda part: ORDER.index(part["factor"]) if part["factor"] in ORDER else len(ORDER))


def _part(doc: WhyDocument):  # type: ignore[no-untyped-def]
    names = ABOUT | {"process": f"all work in {doc['process']}", "stage": f"{stage_name(doc['stage'])} in any process"}
    return lambda part: _row(names.get(part["factor"], part["factor"]), part)


def _row(name: str, effect: Effect | TotalEffect) -> list[str]:
    low, high = signed_percent(effect["low_pct"]), signed_percent(effect["high_pct"])
    return [name, signed_percent(effect["per_cent"]), f"{low} to {high}", f"{effect['runs']:,}"]


def _differences(doc: WhyDocument) -> list[list[str]]:
    names = {"operator": "person"}
    rows = [_row(f"{names.get(value['factor'], value['factor'])} {value['value']}", value) for value in doc["values"]]
    return [*rows, *([_row("a run twice as large", doc["size"])] if doc["size"] else [])]


def _people(doc: WhyDocument) -> str:
    people = doc["people"]
    if people["differ_pct"] is None:
        return ""
    hint = "" if any(value["factor"] == "operator" for value in doc["values"]) else " See --persons."
    least = people["least_runs"]
    return (
        f"{people['told_apart']} people have {least} runs or more; they differ by ±{people['differ_pct']:.0f} %.{hint}"
    )


def _residual_table(doc: WhyDocument) -> RenderableType:
    rows = [
        [
            _place(residual),
            day(residual["ended_at"]),
            duration(residual["actual_min"]),
            duration(residual["expected_min"]),
            residual["says"],
        ]
        for residual in doc["residuals"]
    ]
    return table("where|ended|>took|>expected|looks like", rows)


def _place(residual: Residual) -> str:
    return f"{residual['file']} line {residual['line']}" if residual["file"] else f"build {residual['build_id']}"


def narrowing_sentence(narrowing: Sequence[Narrowing]) -> str:
    """What would narrow a range most, from rows of ``Calibrator.narrowing``, narrowest first.

    >>> row = {"by": "machine", "value": "bed-2", "more": 5, "now_pct": 40.0, "then_pct": 25.0, "least_pct": 18.0}
    >>> narrowing_sentence([row])
    '5 more runs on machine bed-2 would narrow a run from ±40 % to ±25 %; no number of runs narrows it below ±18 %.'
    >>> narrowing_sentence([row | {"then_pct": 39.5}])
    '5 more runs would change little of ±40 %; no number of runs narrows it below ±18 %.'
    >>> narrowing_sentence([row | {"then_pct": 39.5, "least_pct": 39.0}])
    'It is about as narrow as it can be, ±40 %: so much do single runs differ, and more of them would not change it.'
    """
    best = narrowing[0]
    now, then, least = (round(best[name]) for name in ("now_pct", "then_pct", "least_pct"))
    if best["now_pct"] - best["then_pct"] >= WORTH_SAYING:
        what = {"all": "", "material": f" in {best['value']}"}.get(best["by"], f" on {best['by']} {best['value']}")
        return (
            f"{best['more']} more runs{what} would narrow a run from ±{now} % to ±{then} %; "
            f"no number of runs narrows it below ±{least} %."
        )
    if best["now_pct"] - best["least_pct"] >= 3 * WORTH_SAYING:
        return (
            f"{best['more']} more runs would change little of ±{now} %; no number of runs narrows it below ±{least} %."
        )
    return f"It is about as narrow as it can be, ±{now} %: so much do single runs differ, and more of them would not change it."
