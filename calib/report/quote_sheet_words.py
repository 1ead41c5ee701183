"""The sentences of a quote sheet."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from calib.documents.quote import Cause, Cost, Course, QuoteOption, StageTime
from calib.report.units import joined, share, stage_name

PROCESSES = {"MEX": "material extrusion", "VPP": "vat photopolymerization", "PBF": "powder bed fusion"}
NARROWER = {
    "waiting": "book a bench slot for this order",
    "failed builds": "fewer failed builds: their causes by machine and material",
}
FEW_HOURS = timedelta(hours=4)
TOLD_OUTSIDE = (
    "design_adaptation", "printing", "support_removal", "support_dissolving", "washing", "post_curing", "part_cleaning",
    "blasting", "sanding", "annealing", "colouring", "assembly", "inspection", "packing",
)  # fmt: skip


def included(stages: Sequence[StageTime]) -> str:
    """What is done, as far as who receives the parts cares."""
    return joined([stage_name(one["stage"]) for one in stages if one["stage"] in TOLD_OUTSIDE])


def ready_means(stages: Sequence[StageTime]) -> str:
    """
    >>> ready_means([{"stage": "printing"}, {"stage": "packing"}])
    'finished and packed, at the lab; carriage is not included'
    """
    done = {one["stage"] for one in stages}
    words = ["finished", *(word for stage, word in (("inspection", "checked"), ("packing", "packed")) if stage in done)]
    return f"{joined(words)}, at the lab; carriage is not included"


def ground(stages: Sequence[StageTime]) -> str:
    """What a stated chance rests on.

    >>> ground([{"runs_behind": 0}])
    "by reckoning alone: the lab's records do not cover such work yet"
    """
    if any(stage["runs_behind"] for stage in stages):
        return "by the lab's own records of such work"
    return "by reckoning alone: the lab's records do not cover such work yet"


def one_caution(process: str, stages: Sequence[str]) -> str:
    """One line for who receives the parts; it says only what the route holds.

    >>> one_caution("VPP", ["washing", "post_curing"])[:26], one_caution("VPP", ["washing"])[:36]
    ('Parts are washed and cured', 'Parts are washed and are not cured b')
    """
    if "VPP" not in process.split("+"):
        return "Fitness for a load, for heat or for contact with food was not judged. Times are estimates for planning."
    steps = {"washing": "washed", "post_curing": "cured"}
    done = [word for stage, word in steps.items() if stage in stages]
    missing = [word for stage, word in steps.items() if stage not in stages]
    said = (
        f"{'Resin parts' if '+' in process else 'Parts'} are {joined(done)}" if done else "Resin parts leave as printed"
    )
    undone = (
        f" and are not {joined(missing)} by us: not for bare hands"
        if missing and done
        else ": not for bare hands"
        if missing
        else ""
    )
    return (
        f"{said}{undone}; some skins react to cured resin all the same: not for food, nor for lasting contact with skin. "
        "Fitness for a load or for heat was not judged."
    )


def narrower(cause: Cause) -> str:
    """What would make the range narrower, for one cause of its width."""
    name, runs = cause["cause"], cause.get("runs_behind")
    remedy = NARROWER.get(name)
    if remedy is None:
        remedy = "its first logged runs" if not runs else f"steadier work, or more than the {runs} runs behind it"
    return f"{stage_name(name)} (about {share(cause['share'])} of it). To narrow it: {remedy}"


def later_than_its_course(option: QuoteOption, course: Sequence[Course], said: str) -> str:
    """Why the usual date is later than the course drawn, where it is by more than a few hours."""
    if not course:
        return ""
    end = max(datetime.fromisoformat(span["to"]) for span in course)
    if datetime.fromisoformat(option["ready_at"]["p50"]) - end < FEW_HOURS:
        return ""
    return f"Waits that add up, failed builds and closing hours make the usual date later than drawn: {said}."


def cost_words(cost: Cost) -> str:
    """
    >>> cost_words({"p10": 90, "p50": 100, "p90": 120, "currency": "GBP", "usual": {"machine": 60, "person": 40}})
    '100 GBP (90 to 120): machine 60, person 40'
    """
    parts = ", ".join(f"{name} {value:,.0f}" for name, value in (cost.get("usual") or {}).items() if value >= 0.5)
    said = f"{cost['p50']:,.0f} {cost['currency']} ({cost['p10']:,.0f} to {cost['p90']:,.0f})"
    return f"{said}: {parts}" if parts else said
