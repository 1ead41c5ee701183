"""What to look at first of a stage that moved or became erratic, in sentences."""

from __future__ import annotations

import math

from calib.documents.drift import Event, StageDrift
from calib.report.stage_sentences import POOLED, days_between, drifting, where_from
from calib.report.units import count, day, signed_percent, stage_name
from calib.safety import NEEDED, NEEDED_AFTER

EVENTS_TOLD = 3
KEEPS_SAFE = {stage for stages in (*NEEDED.values(), *NEEDED_AFTER.values()) for stage in stages}
SAFE_FIRST = (
    "Look at once: the time of this stage keeps people safe. Quicker is no plan until the data sheet allows it."
)


def look_first(stage: StageDrift) -> list[str]:
    """What to look at first: the place that moved alone, events near the date, what its runs share, those furthest off."""
    spread = stage.get("erratic")
    since = stage["since"] if drifting(stage) else spread["since"] if spread else None
    events = events_near(stage, since) if since else []
    if not drifting(stage):
        return [*together_sentence(stage), *events, *furthest_runs(stage)]
    origin = [origin_sentence(stage)]
    alone = where_from(stage) not in ("cannot tell", "the whole stage")
    return [
        *together_sentence(stage),
        *(origin + events if alone else events + origin),
        *furthest_runs(stage),
        *whom_to_ask(stage),
        *what_is_left_out(stage),
    ]


def events_near(stage: StageDrift, since: str) -> list[str]:
    nearest = sorted(stage.get("events", ()), key=lambda event: abs(days_between(since, event["at"][:10])))
    told = [event_sentence(event) for event in nearest[:EVENTS_TOLD]]
    return told or ["No event is logged near the date: ask what changed then, and log it."]


def what_is_left_out(stage: StageDrift) -> list[str]:
    quicker = "Quicker is good news only if nothing is left out: see that its work is whole, and its times too."
    return [SAFE_FIRST if stage["stage"] in KEEPS_SAFE else quicker] if (stage["change_pct"] or 0.0) < 0 else []


def origin_sentence(stage: StageDrift) -> str:
    where = where_from(stage)
    if where == "cannot tell":
        compared = ", ".join(dict.fromkeys(stage_name(one["by"]) for one in stage["slices"] if not one.get("ask")))
        return f"Not explained by {compared}." if compared else "Its runs are of one kind: nothing to compare."
    if where == "the whole stage":
        return (
            "It moved as a whole: look at what all its runs share, such as a consumable, a setting, a way of working."
        )
    return f"Look at {where}: its runs moved, the others did not." if not where.startswith("ask") else f"First {where}."


def furthest_runs(stage: StageDrift, last: int = 10, told: int = 3) -> list[str]:
    """Of the last runs those furthest from plan in the direction of the change, either way where only the spread changed."""
    chart = stage.get("chart")
    if not chart or not chart.get("build_id"):
        return []
    runs = list(zip(chart["build_id"], chart["actual_pct"], strict=True))[-last:]
    direction = stage["change_pct"]
    runs.sort(key=lambda run: -direction * run[1] if direction else -abs(math.log1p(max(run[1], -99.0) / 100)))
    return [
        f"Look at these runs, the furthest of the last {len(runs)}: "
        + ", ".join(f"{b} ({signed_percent(p)})" for b, p in runs[:told])
        + "."
    ]


def together_sentence(stage: StageDrift) -> list[str]:
    """What is charted as one, where it is: stages that have too few runs a week by themselves, or all at one place."""
    if stage["process"] in POOLED:
        return [
            f"All its runs together: {', '.join(name.replace(':', ' ').replace('_', ' ') for name in stage['of'])}."
        ]
    named = ", ".join(map(stage_name, stage.get("of", ())))
    return [f"Charted together, for each has few runs a week: {named}."] if named else []


def whom_to_ask(stage: StageDrift) -> list[str]:
    asked = [f"{one['value']} ({count(one['runs'], 'run')})" for one in stage.get("slices", ()) if one.get("ask")]
    return [f"Ask, in order of the alphabet: {', '.join(asked)}."] if asked else []


def event_sentence(event: Event) -> str:
    what = ": ".join(str(event[key]) for key in ("what", "note") if event.get(key))
    where = event.get("machine") or event.get("station")
    return f"Logged near the date: {day(event['at'])}, {f'{where}, ' if where else ''}{what}."
