"""Why a stage takes what it takes, as text."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import RenderableType

from calib.documents.model import Effect, Narrowing, Residual, TotalEffect, WhyDocument
from calib.report.terminal import as_text, table
from calib.report.units import count, day, duration, signed_percent, stage_name

ABOUT = {
    "whole": "all work of the lab",
    "level": "its drift over the weeks",
    "cell": "this stage of this process",
    "size": "the usual size of its work",
    "basis": "what its baseline stands on",
    "operator": "people",
}
ORDER = ("whole", "process", "stage", "cell", "level")
WORTH_SAYING = 1.0  # narrowing by less than so many points of per cent is not worth a sentence


def show_why(doc: WhyDocument) -> str:
    """A typical run, where its correction comes from, the odd runs, and what would narrow the range."""
    name = f"{doc['process']} {stage_name(doc['stage'])}"
    one = {key: f"{value:.2f}" for key, value in doc["single_run"].items()}
    shown: list[RenderableType] = [
        f"{name}: a run takes {one['p50_ratio']} times its baseline, 8 of 10 runs {one['p10_ratio']} to "
        f"{one['p90_ratio']} times. {_behind(doc)}",
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
    shown += [f"\n{narrowing_sentence(doc['narrowing'])}", *doc["warnings"]]
    return as_text(*shown)


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
    rows = [_row(f"{names.get(one['factor'], one['factor'])} {one['value']}", one) for one in doc["values"]]
    return [*rows, *([_row("a run twice as large", doc["size"])] if doc["size"] else [])]


def _people(doc: WhyDocument) -> str:
    people = doc["people"]
    if people["differ_pct"] is None:
        return ""
    told = "" if any(one["factor"] == "operator" for one in doc["values"]) else " See --persons."
    least = people["least_runs"]
    return (
        f"{people['told_apart']} people have {least} runs or more; they differ by ±{people['differ_pct']:.0f} %.{told}"
    )


def _residual_table(doc: WhyDocument) -> RenderableType:
    rows = [
        [_place(one), day(one["ended_at"]), duration(one["actual_min"]), duration(one["expected_min"]), one["says"]]
        for one in doc["residuals"]
    ]
    return table("where|ended|>took|>expected|looks like", rows)


def _place(one: Residual) -> str:
    return f"{one['file']} line {one['line']}" if one["file"] else f"build {one['build_id']}"


def narrowing_sentence(found: Sequence[Narrowing]) -> str:
    """What would narrow a range most, from rows of ``Calibrator.narrowing``, narrowest first.

    >>> row = {"by": "machine", "value": "bed-2", "more": 5, "now_pct": 40.0, "then_pct": 25.0, "least_pct": 18.0}
    >>> narrowing_sentence([row])
    '5 more runs on machine bed-2 would narrow a run from ±40 % to ±25 %; no number of runs narrows it below ±18 %.'
    >>> narrowing_sentence([row | {"then_pct": 39.5}])
    'More runs will not help: ±40 % now, ±18 % at best.'
    >>> narrowing_sentence([row | {"then_pct": 39.5, "least_pct": 39.0}])
    'It is about as narrow as it can be, ±40 %: so much do single runs differ, and more of them would not change it.'
    """
    best = found[0]
    now, then, least = (round(best[name]) for name in ("now_pct", "then_pct", "least_pct"))
    if best["now_pct"] - best["then_pct"] >= WORTH_SAYING:
        what = {"all": "", "material": f" in {best['value']}"}.get(best["by"], f" on {best['by']} {best['value']}")
        return (
            f"{best['more']} more runs{what} would narrow a run from ±{now} % to ±{then} %; "
            f"no number of runs narrows it below ±{least} %."
        )
    if best["now_pct"] - best["least_pct"] >= 3 * WORTH_SAYING:
        return f"More runs will not help: ±{now} % now, ±{least} % at best."
    return f"It is about as narrow as it can be, ±{now} %: so much do single runs differ, and more of them would not change it."
