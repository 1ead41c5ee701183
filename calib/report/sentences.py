"""Sentences written from the numbers of the documents; nothing is computed that the documents do not hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from calib.report.units import change, count, day, duration, share, signed_percent, stage_name

Document = Mapping[str, Any]
OFF = ("too narrow", "wider than needed")
FEWEST_JUDGED = 10  # predictions
SINGLY = 3  # so many of a kind are told one by one
KINDS_OF_TIME = {"touch_min": "hands on", "machine_min": "machine alone", "wait_min": "waiting"}
TIGHT = 0.7  # load from which waiting grows steeply (a single server waits 2.3 service times: M/M/1)


def name_of(stage: Document) -> str:
    return f"{stage['process']} {word_of(stage)}"


def three_sentences(data: Document) -> list[str]:
    """What moved; were the promises honest; what to see to first."""
    return [moved_sentence(data.get("drift")), promise_sentence(data.get("backtest")), health_sentence(data)]


def charts_of(drift: Document | None) -> list[Document]:
    """Every chart that was looked at: stages, and bench work that was charted together."""
    return [*drift["stages"], *drift.get("together", ())] if drift else []


def drifting(stage: Document) -> bool:
    return bool(stage["state"] == "drifting")


def moved_sentence(drift: Document | None) -> str:
    if drift is None:
        return "Drift was not checked: there is no fit yet."
    charts = charts_of(drift)
    moved = sorted(filter(drifting, charts), key=cost, reverse=True)
    watched = [stage for stage in charts if stage["state"] != "too_few_runs"]
    if not watched:
        if not charts:
            return "Nothing can have moved: no run of any stage is done yet."
        return f"No stage has enough runs yet to tell whether it moved: {count(len(charts), 'stage')} so far."
    if not moved:
        return f"Nothing moved: {all_of(len(watched))} took what was expected{uneven(charts)}."
    first, others = moved[0], len(moved) - 1
    rest = f"; {count(others, 'other stage')} moved too" if others else ""
    steady = f"; the other {len(watched) - len(moved)} held steady" if len(watched) > len(moved) else ""
    return (
        f"{name_of(first)} takes {longer(first['change_pct'])} {began(first)}: "
        f"{change(first['minutes_per_build'])} a build{rest}{steady}."
    )


def all_of(number: int) -> str:
    return "the one stage with enough runs" if number == 1 else f"all {number} stages with enough runs"


def uneven(charts: Sequence[Document]) -> str:
    number = sum(bool(stage.get("erratic")) for stage in charts)
    return f", but the times of {count(number, 'stage')} spread otherwise than before" if number else ""


def longer(percent: float | None) -> str:
    """
    >>> longer(81.2), longer(-20.4), longer(0.3), longer(-0.3), longer(None)
    ('81 % longer', '20 % less time', 'under 1 % longer', 'under 1 % less time', 'another time')
    """
    if percent is None:
        return "another time"
    size = f"{abs(round(percent))} %" if round(percent) else "under 1 %"
    return f"{size} {'longer' if percent > 0 else 'less time'}"


def cost(stage: Document) -> float:
    """What a change costs or saves: hours a month where the pace is known, before all for which it is not."""
    return abs(stage.get("hours_a_month") or (stage["minutes_per_build"] or 0) / 1e3)


def promise_sentence(backtest: Document | None) -> str:
    if not backtest or not backtest.get("predictions"):
        return "No finished run could be held against its range yet, so nobody knows whether the ranges are honest."
    held, predictions = backtest["coverage"]["80"], backtest["predictions"]
    weeks = f"In the last {count(backtest['weeks'], 'week')} " if backtest.get("weeks", 1) > 1 else "Last week "
    if predictions < FEWEST_JUDGED:
        runs = count(predictions, "run")
        return f"{weeks}only {runs} could be held against a range: too few to tell whether the ranges are honest."
    return (
        f"{weeks}{share(held)} of {count(predictions, 'prediction')} fell inside the range meant for 80 %: "
        f"{judged(held, predictions)}."
    )


def judged(held: float | None, predictions: int, level: float = 0.8) -> str:
    """Whether the share that held fits its level: within 4 points, or what luck gives (two binomial standard errors).

    >>> judged(0.79, 400), judged(0.65, 400), judged(0.93, 400), judged(0.65, 20), judged(0.5, 4)
    ('honest', 'too narrow', 'wider than needed', 'honest', 'too few to tell')
    """
    if held is None or predictions < FEWEST_JUDGED:
        return "too few to tell"
    room = max(0.04, 2 * (level * (1 - level) / predictions) ** 0.5)
    if held < level - room:
        return "too narrow"
    return "wider than needed" if held > level + room else "honest"


def quotes_sentence(quotes: Document | None) -> str:
    """What became of the quotes whose parts were packed lately."""
    if not quotes or not quotes["quotes"]:
        return "No quoted parts were packed in these weeks, so no quote could be checked."
    number = count(quotes["quotes"], "quote")
    return (
        f"Of {number} whose parts were packed, {quotes['inside']} ended inside the 80 % range and {quotes['in_time']} "
        "by the promised time."
    )


def health_sentence(data: Document) -> str:
    lines = health_lines(data)
    return f"To see to first: {lines[0]}" if lines else "Nothing in the logs waits for a person."


def health_lines(data: Document) -> list[str]:
    """What waits for a person, most urgent first: runs below a floor, silent machines, rows set aside, runs to look at."""
    health = data.get("health") or {}
    below, silent = health.get("below_floor") or [], health.get("silent_machines") or []
    lines = [below_floor_sentence(run) for run in below[:SINGLY]]
    if len(below) > SINGLY:
        lines.append(f"{count(len(below) - SINGLY, 'more run')} below a data sheet's least time: calib fit lists them.")
    lines += silent_sentences(silent)
    lines += most_failed(data.get("time_goes") or {})
    if health.get("quarantined"):
        lines.append(f"{count(health['quarantined'], 'row')} set aside: see, mend and retry with calib rejects.")
    if health.get("held"):
        waits = "waits" if health["held"] == 1 else "wait"
        lines.append(f"{count(health['held'], 'row')} {waits} for a build that has not come.")
    if health.get("to_confirm"):
        lines.append(f"{count(health['to_confirm'], 'run')} to confirm, such as forgotten timers: calib review.")
    return lines + [str(line) for line in health.get("lines", ())]


def most_failed(time_goes: Document) -> list[str]:
    printed, failed = time_goes.get("printed") or 0, time_goes.get("failed") or 0
    return [f"{failed} of {count(printed, 'build')} printed lately failed."] if failed > printed / 2 else []


def silent_sentences(silent: Sequence[Document]) -> list[str]:
    """A sentence for each silent machine, or one for many."""
    if len(silent) <= SINGLY:
        return [f"{one['machine']} has logged nothing since {day(one['last'])}." for one in silent]
    longest = min(silent, key=lambda one: str(one["last"]))
    names = ", ".join(str(one["machine"]) for one in silent)
    return [f"{len(silent)} machines are silent, longest {longest['machine']} (since {day(longest['last'])}): {names}."]


def below_floor_sentence(run: Document) -> str:
    return (
        f"Look at once: build {run['build_id']}, {stage_name(run['stage'])}, lasted {duration(run['actual_min'])}, "
        f"below the data sheet's least time of {duration(run['floor_min'])}."
    )


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


def beside(stages: Sequence[Document]) -> list[str]:
    """What is no change of level: stages that became erratic, and causes of what only looks like one."""
    lines = [(stage, str(line)) for stage in stages if not drifting(stage) for line in stage.get("causes", ())]
    lines += [(stage, erratic_sentence(stage["erratic"])) for stage in stages if stage.get("erratic")]
    return [f"{name_of(stage)}: {line}" for stage, line in lines]


def quotes_assume(stage: Document) -> list[str]:
    if stage.get("now_min") is None:
        return []
    return [
        f"Quotes now assume {duration(stage['now_min'])} for a usual build, {duration(stage['plan_min'])} before: "
        f"{share(stage['taken_up'])} of the change."
    ]


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
    """What to look at first: causes that the check named, events near the date, where it comes from, the runs furthest off."""
    nearest = sorted(stage.get("events", ()), key=lambda event: abs(days_between(stage["since"], event["at"][:10])))
    events = [event_sentence(event) for event in nearest[:SINGLY]]
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


def process_sentence(stages: Sequence[Document]) -> str:
    """
    >>> process_sentence([{"state": "steady"}, {"state": "steady"}, {"state": "too_few_runs"}])
    '2 steady, 1 with too few runs to tell'
    """
    told = {"drifting": "moved", "steady": "steady", "too_few_runs": "with too few runs to tell"}
    numbers = {word: sum(stage["state"] == state for stage in stages) for state, word in told.items()}
    return ", ".join(f"{number} {word}" for word, number in numbers.items() if number)


def few_runs_sentence(stages: Sequence[Document]) -> str | None:
    """The stages with too few runs to tell, named; None where there are none."""
    named = ", ".join(f"{word_of(stage)} ({count(stage['runs'], 'run')})" for stage in stages)
    return f"Too few runs to tell: {named}." if named else None


def each_stage(rows: Sequence[Document]) -> list[str]:
    """How many stages were honest by themselves; rows have ``says`` of ``judged``."""
    told = [row for row in rows if row["says"] != "too few to tell"]
    few = len(rows) - len(told)
    if not told:
        return []
    off = sum(row["says"] in OFF for row in told)
    rest = f"; {count(few, 'stage')} with fewer than {FEWEST_JUDGED} predictions left out" if few else ""
    return [f"Each stage by itself: {len(told) - off} of {len(told)} honest as far as their runs can tell{rest}."]


def bottleneck_sentence(rows: Sequence[Document], bottleneck: Document | None) -> str:
    if bottleneck and bottleneck["load"] > 0:
        name = f"the {bottleneck['kind']} {bottleneck['resource']}"
        hours = "opening hours" if bottleneck["kind"] == "crew" else "hours, nights included"
        told = "The bottleneck is" if bottleneck["load"] >= TIGHT else "Nothing is tight: the busiest is"
        return f"{told} {name}, at work {share(bottleneck['load'])} of its {hours}."
    longest = max(rows, key=lambda row: row.get("wait_min") or 0)
    if not longest.get("wait_min"):
        return "Nothing of what the shop file names was at work in these weeks, and nothing waited."
    return f"{longest['process']} waits longest: {duration(longest.get('wait_min'))} between its stages."


def failed_sentence(time_goes: Document) -> list[str]:
    printed, failed = time_goes.get("printed") or 0, time_goes.get("failed") or 0
    return [f"Of {count(printed, 'build')} printed in these weeks {failed or 'none'} failed."] if printed else []


def hours_sentence(row: Document) -> str:
    """What one process took: the words of its bars.

    >>> hours_sentence({"process": "PBF", "touch_min": 600, "machine_min": 1200, "wait_min": 90, "builds": 2})
    'PBF, 2 builds: 10 h hands on, 20 h machine alone, 1 h 30 min waiting.'
    """
    builds = f", {count(row['builds'], 'build')}" if row.get("builds") is not None else ""
    hours = ", ".join(f"{duration(row.get(key))} {word}" for key, word in KINDS_OF_TIME.items())
    return f"{row['process']}{builds}: {hours}."
