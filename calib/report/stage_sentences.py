"""What one stage's chart says, in sentences: how much, since when, what it costs, where from, what to look at first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

from calib.documents.drift import Erratic, Event, StageDrift
from calib.report.units import change, count, day, duration, joined, roughly, signed_percent, stage_name
from calib.safety import NEEDED, NEEDED_AFTER

POOLED = {
    "station": "everything at station",
    "material": "everything in",
}  # charts across stages and processes, by what


def name_of(stage: StageDrift) -> str:
    return word_of(stage) if stage["process"] in POOLED else f"{stage['process']} {word_of(stage)}"


def word_of(stage: StageDrift) -> str:
    if stage["process"] in POOLED:
        return f"{POOLED[stage['process']]} {stage['stage']}"
    return "rare bench work together" if stage["stage"] == "bench_work" else stage_name(stage["stage"])


def drifting(stage: StageDrift) -> bool:
    return bool(stage["state"] == "drifting")


def erratic(stage: StageDrift) -> bool:
    """Whether its times spread more than before; that they spread less asks for nobody."""
    spread = stage.get("erratic")
    return spread is not None and spread["change_pct"] > 0


def most_urgent(stages: Sequence[StageDrift], as_of: str) -> list[StageDrift]:
    """Stages that moved, then those that became erratic; of each those raised this week first, then by what they cost."""
    urgent = [stage for stage in stages if drifting(stage) or erratic(stage)]
    return sorted(urgent, key=lambda stage: (not drifting(stage), not is_new(stage, as_of), -cost(stage)))


def is_new(stage: StageDrift, as_of: str) -> bool:
    raised_at = signalled_at(stage)
    return bool(raised_at) and days_between(str(raised_at), as_of) < 7


def signalled_at(stage: StageDrift) -> str | None:
    """The day on which the chart of its level crossed its limit, or where that is steady, of its spread."""
    spread = stage.get("erratic")
    return stage.get("alarm_at") or (spread.get("alarm_at") if spread else None)


def cost(stage: StageDrift) -> float:
    """What a change costs or saves: hours a month where the pace is known, before all for which it is not."""
    return abs(stage.get("hours_a_month") or (stage["minutes_per_build"] or 0) / 1e3)


def change_sentence(stage: StageDrift) -> str:
    """What one stage's alarm says: how much, since when, what it costs, what quotes assume."""
    low, high = stage["change_pct_low"], stage["change_pct_high"]
    text = (
        f"{change(stage['minutes_per_build'])} a build: {signed_percent(stage['change_pct'])}, 9 of 10 times between "
        f"{signed_percent(low)} and {signed_percent(high)}; {began(stage)}"
    )
    if stage.get("hours_a_month") is not None:
        text += f", {a_month(stage['hours_a_month'])}"
    return " ".join([text + ".", *quotes_assume(stage)])


def a_month(hours: float) -> str:
    """
    >>> a_month(9.04), a_month(-0.2)
    ("9 h more a month at today's number of builds", "10 min less a month at today's number of builds")
    """
    return f"{roughly(60 * abs(hours))} {'more' if hours >= 0 else 'less'} a month at today's number of builds"


def quotes_assume(stage: StageDrift) -> list[str]:
    if stage.get("now_min") is None:
        return []
    return [f"Quotes use {duration(stage['now_min'])} for a usual build now ({duration(stage['plan_min'])} before)."]


def raised(stage: StageDrift, as_of: str) -> list[str]:
    """When it was first reported, whether it is new, and which accepted change it is measured from."""
    new = ", new this week" if is_new(stage, as_of) else ""
    lines = [f"First reported {day(signalled_at(stage))}{new}."] if signalled_at(stage) else []
    if stage.get("accepted_since"):
        lines.append(f"The plan is the change accepted since {day(stage['accepted_since'])}.")
    return lines


def days_between(first: str, last: str) -> int:
    """
    >>> days_between("2026-11-16", "2026-11-21")
    5
    """
    return (date.fromisoformat(last) - date.fromisoformat(first)).days


def began(stage: StageDrift) -> str:
    """Since when: a step by its date and range; what crept, or may have, by its range alone, whose middle says little."""
    low, high = stage.get("since_low"), stage.get("since_high")
    if not low or not high or low == high:
        return f"since about {day(stage['since'])}"
    if "creep" in (stage.get("shape") or ""):
        grew = "it grew slowly" if stage["shape"] == "creep" else "it came at once or grew slowly"
        return f"{grew}, from between {day(low)} and {day(high)}"
    return f"since about {day(stage['since'])} ({day(low)} to {day(high)})"


def where_from(stage: StageDrift) -> str:
    """'the whole stage', 'station cure-1', or that it is not known."""
    where = stage.get("where")
    if not where:
        return "cannot tell"
    if stage["process"] in POOLED and where == "the whole stage":
        return "all of it"
    by, _, value = where.partition(" ")
    if by == "operator":
        return f"ask {value}"
    return where if by == "the" else f"{stage_name(by)} {value}"


def where_told(stage: StageDrift) -> str:
    """The end of a sentence on a change."""
    where = where_from(stage)
    return "; cause not found" if where == "cannot tell" else f"; {where}"


def erratic_sentence(spread: Erratic) -> str:
    word = "More erratic" if spread["change_pct"] > 0 else "More even"
    return (
        f"{word} since about {day(spread['since'])}, spread of its times {signed_percent(spread['change_pct'])} "
        f"(9 of 10 times between {signed_percent(spread['change_pct_low'])} and {signed_percent(spread['change_pct_high'])})."
    )


def spread_too(stage: StageDrift) -> list[str]:
    """What the chart of its spread says; of a stage that moved as well, that its size is given as if the spread had not changed."""
    spread = stage.get("erratic")
    if not spread:
        return []
    less_sure = drifting(stage) and erratic(stage)
    caution = ["With so much spread the change of its level is less sure than its range says."] if less_sure else []
    return [erratic_sentence(spread), *caution]


def beside(stages: Sequence[StageDrift]) -> list[str]:
    """What asks for nobody: stages that became more even, and causes of what only looks like a change."""
    others = [stage for stage in stages if not drifting(stage)]
    lines = [(stage, str(line)) for stage in others for line in stage.get("causes", ())]
    lines += [(stage, line) for stage in others if not erratic(stage) for line in spread_too(stage)]
    return [f"{name_of(stage)}: {line}" for stage, line in lines]


def picture_sentence(stage: StageDrift) -> str:
    """What a picture of the runs shows, for those who do not see it."""
    chart = stage["chart"]
    first = chart["since"] or ""
    since = sum(end[:10] >= first for end in chart["at"])
    if not drifting(stage):
        return (
            f"{name_of(stage)}: {count(len(chart['at']), 'run')} from {day(chart['at'][0])} to {day(chart['at'][-1])}, in per "
            f"cent from the level before. The {count(since, 'run')} since {day(chart['since'])} lie wider apart than those before."
        )
    return (
        f"{name_of(stage)}: {count(len(chart['at']), 'run')} from {day(chart['at'][0])} to {day(chart['at'][-1])}, in per cent "
        f"from the level before. Over the {count(since, 'run')} since {day(stage['since'])} it "
        f"{'came slowly to' if creeps(stage) else 'is at'} {signed_percent(stage['change_pct'])} "
        f"({change(stage['minutes_per_build'])} a build)."
    )


def creeps(stage: StageDrift) -> bool:
    """Whether its size is how far a creep has come."""
    return bool(stage.get("creeps", stage.get("shape") == "creep"))


def steady_sentence(stage: StageDrift) -> str:
    if drifting(stage):
        return f"moved: {signed_percent(stage['change_pct'])} {began(stage)}"
    plan = f" against the plan accepted since {day(stage['accepted_since'])}" if stage.get("accepted_since") else ""
    of = f": {', '.join(map(stage_name, stage['of']))}" if stage.get("of") else ""
    changed = stage.get("erratic")
    word = "erratic" if erratic(stage) else "more even"
    spread = f"{word} since about {day(changed['since'])}" if changed else "steady"
    return f"{spread}{plan}, {count(stage['runs'], 'run')}{of}"


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
    sentences = [event_sentence(event) for event in nearest[:EVENTS_TOLD]]
    return sentences or ["No event is logged near the date: ask what changed then, and log it."]


def what_is_left_out(stage: StageDrift) -> list[str]:
    quicker = "Quicker is good news only if nothing is left out: see that its work is whole, and its times too."
    return [SAFE_FIRST if stage["stage"] in KEEPS_SAFE else quicker] if (stage["change_pct"] or 0.0) < 0 else []


def origin_sentence(stage: StageDrift) -> str:
    where = where_from(stage)
    if where == "cannot tell":
        factors = list(dict.fromkeys(stage_name(part["by"]) for part in stage["slices"] if not part.get("ask")))
        if not factors:
            return "Its runs are of one kind: nothing to compare."
        return f"{joined(factors).capitalize()} {'does' if len(factors) == 1 else 'do'} not explain it."
    if where == "the whole stage":
        return (
            "It moved as a whole: look at what all its runs share, such as a consumable, a setting, a way of working."
        )
    return f"Look at {where}: its runs moved, the others did not." if not where.startswith("ask") else f"First {where}."


def furthest_runs(stage: StageDrift, last: int = 10, named: int = 3) -> list[str]:
    """Of the last runs those furthest from plan in the direction of the change, either way where only the spread changed."""
    chart = stage.get("chart")
    if not chart or not chart.get("build_id"):
        return []
    runs = list(zip(chart["build_id"], chart["actual_pct"], strict=True))[-last:]
    direction = stage["change_pct"]
    runs.sort(key=lambda run: -direction * run[1] if direction else -abs(math.log1p(max(run[1], -99.0) / 100)))
    return [
        f"Look at these runs, the furthest of the last {len(runs)}: "
        + ", ".join(f"{b} ({signed_percent(p)})" for b, p in runs[:named])
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
    asked = [f"{part['value']} ({count(part['runs'], 'run')})" for part in stage.get("slices", ()) if part.get("ask")]
    return [f"Ask, in order of the alphabet: {', '.join(asked)}."] if asked else []


def event_sentence(event: Event) -> str:
    what = ": ".join(str(event[key]) for key in ("what", "note") if event.get(key))
    where = event.get("machine") or event.get("station")
    return f"Logged near the date: {day(event['at'])}, {f'{where}, ' if where else ''}{what}."
