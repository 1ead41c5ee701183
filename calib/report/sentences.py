"""Sentences written from the numbers of the documents; nothing is computed that the documents do not hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from calib.report.units import change, count, day, duration, share, signed_percent, stage_name

Document = Mapping[str, Any]
TIGHT = 0.7  # load from which waiting grows steeply (a single server waits 2.3 service times: M/M/1)


def name_of(stage: Document) -> str:
    return f"{stage['process']} {word_of(stage)}"


def three_sentences(data: Document) -> list[str]:
    """What moved; were the promises honest; what to see to first."""
    return [moved_sentence(data.get("drift")), promise_sentence(data.get("backtest")), health_sentence(data)]


def moved_sentence(drift: Document | None) -> str:
    if drift is None:
        return "Drift was not checked: there is no fit yet."
    moved = [stage for stage in drift["stages"] if stage["state"] == "drifting"]
    watched = [stage for stage in drift["stages"] if stage["state"] != "too_few_runs"]
    if not moved:
        return f"Nothing moved: all {count(len(watched), 'stage')} with enough runs took what was expected."
    first = max(moved, key=cost)
    rest = f", and {count(len(moved) - 1, 'other stage')} moved too" if len(moved) > 1 else ""
    return (
        f"{name_of(first)} has taken {signed_percent(first['change_pct'])} {began(first)}, "
        f"{change(first['minutes_per_build'])} a build{rest}; {count(len(watched) - len(moved), 'stage')} held steady."
    )


def cost(stage: Document) -> float:
    """What a change costs or saves: hours a month where the pace is known, before all for which it is not."""
    return abs(stage.get("hours_a_month") or (stage["minutes_per_build"] or 0) / 1e3)


def promise_sentence(backtest: Document | None) -> str:
    if not backtest or not backtest.get("predictions"):
        return "Too few weeks are logged yet to say whether the ranges were honest."
    held = backtest["coverage"]["80"]
    told = count(backtest["predictions"], "prediction")
    return f"Of {told}, {share(held)} fell inside the range meant for 80 %: {judged(held)}."


def judged(held: float | None, level: float = 0.8, room: float = 0.04) -> str:
    """
    >>> judged(0.79), judged(0.65), judged(0.93)
    ('honest', 'too narrow', 'wider than needed')
    """
    if held is None:
        return "cannot tell"
    if held < level - room:
        return "too narrow"
    return "wider than needed" if held > level + room else "honest"


def health_sentence(data: Document) -> str:
    lines = health_lines(data)
    return f"To see to first: {lines[0]}" if lines else "Nothing in the logs waits for a person."


def health_lines(data: Document) -> list[str]:
    """Silent machines, rows set aside, runs that wait for a look."""
    health = data.get("health") or {}
    lines = [
        f"{one['machine']} has logged nothing since {day(one['last'])}." for one in health.get("silent_machines", ())
    ]
    if health.get("below_floor"):
        lines = [below_floor_sentence(run) for run in health["below_floor"]] + lines
    if health.get("quarantined"):
        lines.append(f"{count(health['quarantined'], 'row')} set aside: see, mend and retry with calib rejects.")
    if health.get("held"):
        lines.append(f"{count(health['held'], 'row')} waiting for a build that has not come.")
    if health.get("to_confirm"):
        lines.append(f"{count(health['to_confirm'], 'run')} to look at, such as forgotten timers: calib review.")
    return lines + [str(line) for line in health.get("lines", ())]


def below_floor_sentence(run: Document) -> str:
    return (
        f"Look at once: build {run['build_id']}, {stage_name(run['stage'])}, lasted {duration(run['actual_min'])}, "
        f"below the data sheet's least time of {duration(run['floor_min'])}."
    )


def change_sentence(stage: Document) -> str:
    """What one stage's alarm says: how much, since when, what it costs."""
    low, high = stage["change_pct_low"], stage["change_pct_high"]
    text = (
        f"{signed_percent(stage['change_pct'])} (90 % range {signed_percent(low)} to {signed_percent(high)}) "
        f"{began(stage)}: {change(stage['minutes_per_build'])} a build"
    )
    if stage.get("hours_a_month") is not None:
        text += f", {change(60 * stage['hours_a_month'])} a month at the present pace"
    if stage.get("now_min") is not None:
        text += (
            f". Quotes now assume {duration(stage['now_min'])} for a usual build, {duration(stage['plan_min'])} before: "
            f"{share(stage['taken_up'])} of the change"
        )
    return text + "."


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


def word_of(stage: Document) -> str:
    return "rare bench work together" if stage["stage"] == "bench_work" else stage_name(stage["stage"])


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


def look_first(stage: Document) -> list[str]:
    """What to look at first: the causes that the check named, events near the date, the slice that carries most."""
    lines = [str(line) for line in stage.get("causes", ())]
    lines += [event_sentence(event) for event in stage.get("events", ())]
    return lines


def event_sentence(event: Document) -> str:
    what = ", ".join(str(event[key]) for key in ("what", "note") if event.get(key))
    where = event.get("machine") or event.get("station")
    return f"Logged near the date: {day(event['at'])}, {what}{f' ({where})' if where else ''}."


def steady_sentence(stage: Document) -> str:
    if stage["state"] == "too_few_runs":
        return f"{count(stage['runs'], 'run')}: too few to tell"
    if stage["state"] == "drifting":
        return f"{signed_percent(stage['change_pct'])} {began(stage)}"
    return f"steady, {count(stage['runs'], 'run')}"


def bottleneck_sentence(rows: Sequence[Document], bottleneck: Document | None) -> str:
    if bottleneck:
        hours = "opening hours" if bottleneck["kind"] == "crew" else "hours, nights included"
        told = "The bottleneck is" if bottleneck["load"] >= TIGHT else "Nothing is tight: the busiest is"
        return f"{told} {bottleneck['resource']}, at work {share(bottleneck['load'])} of its {hours}."
    longest = max(rows, key=lambda row: row.get("wait_min") or 0)
    return f"{longest['process']} waits longest: {duration(longest.get('wait_min'))} between its stages."
