"""What one stage's chart says, in sentences: how much, since when, what it costs, where from, what to look at first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from calib.report.units import change, count, day, duration, share, signed_percent, stage_name

Document = Mapping[str, Any]
EVENTS_TOLD = 3


def name_of(stage: Document) -> str:
    return f"{stage['process']} {word_of(stage)}"


def word_of(stage: Document) -> str:
    return "rare bench work together" if stage["stage"] == "bench_work" else stage_name(stage["stage"])


def drifting(stage: Document) -> bool:
    return bool(stage["state"] == "drifting")


def cost(stage: Document) -> float:
    """What a change costs or saves: hours a month where the pace is known, before all for which it is not."""
    return abs(stage.get("hours_a_month") or (stage["minutes_per_build"] or 0) / 1e3)


def longer(percent: float | None) -> str:
    """
    >>> longer(81.2), longer(-20.4), longer(0.3), longer(-0.3), longer(None)
    ('81 % longer', '20 % less time', 'under 1 % longer', 'under 1 % less time', 'another time')
    """
    if percent is None:
        return "another time"
    size = f"{abs(round(percent))} %" if round(percent) else "under 1 %"
    return f"{size} {'longer' if percent > 0 else 'less time'}"


def change_sentence(stage: Document) -> str:
    """What one stage's alarm says: how much, since when, what it costs, what quotes assume."""
    low, high = stage["change_pct_low"], stage["change_pct_high"]
    text = (
        f"{signed_percent(stage['change_pct'])} (90 % range {signed_percent(low)} to {signed_percent(high)}) "
        f"{began(stage)}: {change(stage['minutes_per_build'])} a build"
    )
    if stage.get("hours_a_month") is not None:
        text += f", {change(60 * stage['hours_a_month'])} a month at the present pace"
    return " ".join([text + ".", *quotes_assume(stage)])


def quotes_assume(stage: Document) -> list[str]:
    if stage.get("now_min") is None:
        return []
    return [
        f"Quotes now assume {duration(stage['now_min'])} for a usual build, {duration(stage['plan_min'])} before: "
        f"{share(stage['taken_up'])} of the change."
    ]


def raised(stage: Document, as_of: str) -> list[str]:
    """When its chart cried, whether that is new, and which accepted change it is measured from."""
    new = ", new this week" if stage.get("alarm_at") and days_between(stage["alarm_at"], as_of) < 7 else ""
    told = [f"Raised on {day(stage['alarm_at'])}{new}."] if stage.get("alarm_at") else []
    if stage.get("accepted_since"):
        told.append(f"The plan is the change accepted since {day(stage['accepted_since'])}.")
    return told


def days_between(first: str, last: str) -> int:
    """
    >>> days_between("2026-11-16", "2026-11-21")
    5
    """
    return (date.fromisoformat(last) - date.fromisoformat(first)).days


def began(stage: Document) -> str:
    """Since when: a step by its date and range; what crept, or may have, by its range alone, whose middle says little."""
    low, high = stage.get("since_low"), stage.get("since_high")
    if not low or not high or low == high:
        return f"since about {day(stage['since'])}"
    if "creep" in (stage.get("shape") or ""):
        return f"in {a_shape(stage)} that began between {day(low)} and {day(high)}"
    return f"since about {day(stage['since'])} (between {day(low)} and {day(high)})"


def a_shape(stage: Document) -> str:
    return f"a {stage['shape']}" if stage["shape"] in ("step", "creep") else "a change, step or creep,"


def where_from(stage: Document) -> str:
    """'the whole stage', 'station cure-1', or that it cannot be told."""
    where = stage.get("where")
    if not where:
        return "cannot tell"
    by, _, value = where.partition(" ")
    if by == "operator":
        return f"ask {value}"
    return where if by == "the" else f"{stage_name(by)} {value}"


def erratic_sentence(one: Document) -> str:
    word = "more erratic" if one["change_pct"] > 0 else "more even"
    return (
        f"{word} since about {day(one['since'])}, spread of its times {signed_percent(one['change_pct'])} "
        f"({signed_percent(one['change_pct_low'])} to {signed_percent(one['change_pct_high'])})."
    )


def beside(stages: Sequence[Document]) -> list[str]:
    """What is no change of level: stages that became erratic, and causes of what only looks like one."""
    lines = [(stage, str(line)) for stage in stages if not drifting(stage) for line in stage.get("causes", ())]
    lines += [(stage, erratic_sentence(stage["erratic"])) for stage in stages if stage.get("erratic")]
    return [f"{name_of(stage)}: {line}" for stage, line in lines]


def look_first(stage: Document) -> list[str]:
    """What to look at first: causes that the check named, events near the date, where it comes from, the runs furthest off."""
    nearest = sorted(stage.get("events", ()), key=lambda event: abs(days_between(stage["since"], event["at"][:10])))
    events = [event_sentence(event) for event in nearest[:EVENTS_TOLD]]
    return [
        *together_sentence(stage),
        *(str(line) for line in stage.get("causes", ())),
        *(events or ["No event is logged near the date: ask what changed then, and log it."]),
        origin_sentence(stage),
        *furthest_runs(stage),
        *whom_to_ask(stage),
    ]


def origin_sentence(stage: Document) -> str:
    where = where_from(stage)
    if where == "cannot tell":
        compared = ", ".join(dict.fromkeys(stage_name(one["by"]) for one in stage["slices"] if not one.get("ask")))
        return f"None of these stands out: {compared}." if compared else "All its runs are of one kind."
    if where == "the whole stage":
        return (
            "It moved as a whole: look at what all its runs share, such as a consumable, a setting, a way of working."
        )
    return f"Look at {where}: its runs moved, the others did not." if not where.startswith("ask") else f"First {where}."


def furthest_runs(stage: Document, last: int = 10, told: int = 3) -> list[str]:
    """Of the last runs those furthest from plan in the direction of the change."""
    chart = stage.get("chart")
    if not chart or not chart.get("build_id"):
        return []
    runs = list(zip(chart["build_id"], chart["actual_pct"], strict=True))[-last:]
    runs.sort(key=lambda run: run[1], reverse=stage["change_pct"] > 0)
    return [
        f"Furthest of the last {len(runs)} runs: "
        + ", ".join(f"{b} ({signed_percent(p)})" for b, p in runs[:told])
        + "."
    ]


def together_sentence(stage: Document) -> list[str]:
    """What is charted as one, where it is: stages that have too few runs a week by themselves."""
    named = ", ".join(map(stage_name, stage.get("of", ())))
    return [f"Charted together, for each has few runs a week: {named}."] if named else []


def whom_to_ask(stage: Document) -> list[str]:
    asked = [f"{one['value']} ({count(one['runs'], 'run')})" for one in stage.get("slices", ()) if one.get("ask")]
    return [f"Ask, in order of the alphabet: {', '.join(asked)}."] if asked else []


def event_sentence(event: Document) -> str:
    what = ": ".join(str(event[key]) for key in ("what", "note") if event.get(key))
    where = event.get("machine") or event.get("station")
    return f"Logged near the date: {day(event['at'])}, {f'{where}, ' if where else ''}{what}."


def picture_sentence(stage: Document) -> str:
    """What a picture of the runs shows, for those who do not see it."""
    chart = stage["chart"]
    since = sum(at[:10] >= stage["since"] for at in chart["at"])
    return (
        f"{name_of(stage)}: {count(len(chart['at']), 'run')} from {day(chart['at'][0])} to {day(chart['at'][-1])}, in per cent "
        f"from plan. The {count(since, 'run')} since {day(stage['since'])} lie about {signed_percent(stage['change_pct'])} "
        f"from those before{', rising by and by' if stage.get('shape') == 'creep' and stage['change_pct'] > 0 else ''}."
    )


def steady_sentence(stage: Document) -> str:
    if drifting(stage):
        return f"moved: {signed_percent(stage['change_pct'])} {began(stage)}"
    plan = f" against the plan accepted since {day(stage['accepted_since'])}" if stage.get("accepted_since") else ""
    of = f": {', '.join(map(stage_name, stage['of']))}" if stage.get("of") else ""
    return f"{'uneven' if stage.get('erratic') else 'steady'}{plan}, {count(stage['runs'], 'run')}{of}"
