"""Sentences written from the numbers of the documents; nothing is computed that the documents do not hold."""

from __future__ import annotations

from collections.abc import Sequence

from calib.documents.drift import BelowFloor, DriftDocument, StageDrift
from calib.documents.logs import LastLog
from calib.documents.model import BacktestDocument, ScoredCell
from calib.documents.promises import RangeScore
from calib.documents.shop import Load
from calib.documents.week import Bottleneck, Health, ProcessTime, TimeGoes, WeekData
from calib.report.stage_sentences import (
    began,
    drifting,
    erratic,
    is_new,
    most_urgent,
    name_of,
    where_told,
    word_of,
)
from calib.report.units import count, day, duration, roughly, share, signed_percent, stage_name
from calib.safety import cautions


class JudgedCell(ScoredCell):
    """held : share of runs inside the range meant to hold 8 of 10 times; says : of ``judged``"""

    held: float
    says: str


OFF = ("too narrow", "wider than needed")
FEWEST_JUDGED = 10  # predictions
AT_ONCE = "Look at once"
SINGLY = 3  # so many of a kind are named one by one
KINDS_OF_TIME = ("hands on", "machine alone", "waiting")
NOTICED_H = 0.1  # a wait that costs less is none to a person


def three_sentences(data: WeekData) -> list[str]:
    """What moved; were the promises honest; what to see to first."""
    return [moved_sentence(data.get("drift")), promise_sentence(data.get("backtest")), health_sentence(data)]


def charts_of(drift: DriftDocument | None) -> list[StageDrift]:
    """Every chart that was looked at: stages, bench work that was charted together, what is pooled by station or material."""
    return [*drift["stages"], *drift.get("together", ()), *drift.get("pooled", ())] if drift else []


def moved_sentence(drift: DriftDocument | None) -> str:
    if drift is None:
        return "Drift was not checked: there is no fit yet."
    charts = charts_of(drift)
    moved = list(filter(drifting, most_urgent(charts, drift["as_of"])))
    watched = [stage for stage in charts if stage["state"] != "too_few_runs"]
    if not watched:
        if not charts:
            return "Nothing can have moved: no run of any stage is done yet."
        return f"No stage has enough runs yet to tell whether it moved: {count(len(charts), 'stage')} so far."
    if not moved:
        return " ".join([f"Nothing moved: {all_of(len(watched))} took what was expected.", *uneven(charts)])
    first, *others = moved
    new = is_new(first, drift["as_of"])
    start = "New this week: " if new else ""
    if not any(is_new(stage, drift["as_of"]) for stage in most_urgent(charts, drift["as_of"])):
        start = "No new change this week. "
    rest = len(watched) - len(moved)
    steady = [f"{rest} other stages are steady." if rest > 1 else "The other one is steady."] if rest else []
    moves = f"{start}{name_of(first)} is {'' if new else 'still '}{slower(first)}: {size_of(first)}."
    return " ".join([moves, grown(first), *moved_too(others), *steady, *uneven(charts)])


def slower(stage: StageDrift) -> str:
    return "slower" if (stage["change_pct"] or 0) >= 0 else "quicker"


def size_of(stage: StageDrift) -> str:
    """
    >>> size_of({"minutes_per_build": 34.2, "change_pct": 79.4}), size_of({"minutes_per_build": -20, "change_pct": -31})
    ('34 min more a build (+79 %)', '20 min less a build (−31 %)')
    """
    minutes = stage["minutes_per_build"] or 0
    more = "more" if minutes >= 0 else "less"
    return f"{duration(abs(minutes))} {more} a build ({signed_percent(stage['change_pct'])})"


def grown(stage: StageDrift) -> str:
    """Since when, and where from."""
    came = began(stage)
    return f"{came[:1].upper()}{came[1:]}{where_told(stage)}."


def moved_too(others: Sequence[StageDrift]) -> list[str]:
    if len(others) < SINGLY:
        return [f"{name_of(other)} is {slower(other)} too: {size_of(other)}." for other in others]
    return [f"{count(len(others), 'other stage')} moved too."]


def all_of(number: int) -> str:
    return "the one stage with enough runs" if number == 1 else f"all {number} stages with enough runs"


def uneven(charts: Sequence[StageDrift]) -> list[str]:
    wider = list(filter(erratic, charts))
    named = name_of(wider[0]) if len(wider) == 1 else count(len(wider), "stage")
    return [f"The times of {named} spread wider than before."] if wider else []


def false_alarms(a_year: float) -> str:
    """
    >>> false_alarms(1), false_alarms(0.5)
    ('1 false alarm a year in the whole lab', '0.5 false alarms a year in the whole lab')
    """
    return f"{a_year:g} false alarm{'' if a_year == 1 else 's'} a year in the whole lab"


def promise_sentence(backtest: BacktestDocument | None) -> str:
    if not backtest or not backtest.get("predictions"):
        return "No finished run could be held against its range yet, so nobody knows whether the ranges are right."
    held, predictions = backtest["coverage"]["80"], backtest["predictions"]
    weeks = count(backtest["weeks"], "week")
    if held is None or predictions < FEWEST_JUDGED:
        return f"Only {count(predictions, 'run')} in {weeks} could be held against a range: too few to tell whether ranges are right."
    return (
        f"Ranges were {judged(held, predictions)}: of 10 runs 8 should end inside; {10 * held:.1f} did "
        f"({count(predictions, 'run')}, {weeks})."
    )


def judged(held: float | None, predictions: int, level: float = 0.8) -> str:
    """Whether the share that held fits its level: within 4 points, or what luck gives (two binomial standard errors).

    >>> judged(0.79, 400), judged(0.65, 400), judged(0.93, 400), judged(0.65, 20), judged(0.5, 4)
    ('right', 'too narrow', 'wider than needed', 'right', 'too few to tell')
    """
    if held is None or predictions < FEWEST_JUDGED:
        return "too few to tell"
    room = max(0.04, 2 * (level * (1 - level) / predictions) ** 0.5)
    if held < level - room:
        return "too narrow"
    return "wider than needed" if held > level + room else "right"


def quotes_sentence(quotes: RangeScore | None) -> str:
    """What became of the quotes whose parts were packed lately, and what it means for the next promise."""
    if not quotes or not quotes["quotes"]:
        return "No quoted parts were packed in these weeks, so no quote could be checked."
    return f"Of {count(quotes['quotes'], 'quote')} whose parts were packed, {quotes['in_time']} kept the promise{against_ranges(quotes)}."


def against_ranges(ranges: RangeScore) -> str:
    """How they ended against their ranges, as the end of a sentence about kept promises.

    >>> early = {"quotes": 4, "inside": 0, "early": 4, "late": 0, "early_h": [9.2, 20.1], "says": "earlier"}
    >>> against_ranges(early)
    ', but each came 9 to 20 h earlier than usual: your promises are too late'
    >>> against_ranges({"quotes": 4, "inside": 3, "early": 1, "late": 0, "early_h": [9.2, 9.2], "says": "as said"})
    ', and 3 of 4 ended inside the range that holds 8 of 10 times'
    """
    total = ranges["quotes"]
    if ranges["says"] == "as said":
        return f", and {ranges['inside']} of {total} ended inside the range that holds 8 of 10 times"
    early = ranges["says"] == "earlier"
    number, off_h = (ranges["early"], ranges["early_h"]) if early else (ranges["late"], ranges["late_h"])
    least, most = off_h or (0.0, 0.0)
    who = "each" if number == total else f"{number} of {total}"
    hours = f"{least:.0f} to {most:.0f}" if round(least) < round(most) else f"{most:.0f}"
    but, verdict = ("but ", "too late") if early else ("", "too early")
    return f", {but}{who} came {hours} h {ranges['says']} than usual: your promises are {verdict}"


def health_sentence(data: WeekData) -> str:
    lines = health_lines(data)
    if not lines:
        return "Nothing in the logs waits for a person."
    return lines[0] if lines[0].startswith(AT_ONCE) else f"Do first: {lines[0][:1].lower()}{lines[0][1:]}"


def health_lines(data: WeekData) -> list[str]:
    """What waits for a person, most urgent first: runs below a floor, silent machines, rows set aside, runs to look at."""
    health: Health = data.get("health") or {}
    below, silent = health.get("below_floor") or [], health.get("silent_machines") or []
    lines = [below_floor_sentence(run) for run in below[:SINGLY]]
    if len(below) > SINGLY:
        lines.append(f"{count(len(below) - SINGLY, 'more run')} below a data sheet's least time: calib fit lists them.")
    lines += below_floor_cautions(below)
    lines += silent_sentences(silent)
    lines += most_failed(data.get("time_goes") or TimeGoes())
    if health.get("quarantined"):
        lines.append(f"Correct {count(health['quarantined'], 'log row')} that could not be read: calib set-aside.")
    if health.get("held"):
        waits = "waits" if health["held"] == 1 else "wait"
        lines.append(f"{count(health['held'], 'row')} {waits} for a build that has not come.")
    if health.get("to_confirm"):
        lines.append(f"Answer {count(health['to_confirm'], 'question')} about runs that look wrong: calib review.")
    return lines + [str(line) for line in health.get("lines", ())]


def most_failed(time_goes: TimeGoes) -> list[str]:
    printed, failed = time_goes.get("printed") or 0, time_goes.get("failed") or 0
    return [f"{failed} of {count(printed, 'build')} printed lately failed."] if failed > printed / 2 else []


def silent_sentences(silent: Sequence[LastLog]) -> list[str]:
    """A sentence for each silent machine, or one for many."""
    if len(silent) <= SINGLY:
        return [
            f"{machine['machine']} has logged nothing since {day(machine['last'])}: idle, or are its logs missing?"
            for machine in silent
        ]
    longest = min(silent, key=lambda machine: str(machine["last"]))
    names = ", ".join(str(machine["machine"]) for machine in silent)
    longest_since = f"longest {longest['machine']} (since {day(longest['last'])})"
    return [f"{len(silent)} machines are silent, {longest_since}: {names}. Are they idle, or are their logs missing?"]


def below_floor_sentence(run: BelowFloor) -> str:
    return (
        f"{AT_ONCE}: build {run['build_id']}, {stage_name(run['stage'])}, lasted {duration(run['actual_min'])}, "
        f"below {least_time(run)} of {duration(run['floor_min'])}."
    )


def below_floor_cautions(runs: Sequence[BelowFloor]) -> list[str]:
    """What can hurt at the stages of these runs, each text once."""
    where = dict.fromkeys((run.get("process") or "", stage) for run in runs for stage in run["stage"].split("+"))
    places: dict[str, list[str]] = {}
    for process, stage in where:
        for text in cautions(process, stage):
            places.setdefault(text, []).append(f"{process} {stage_name(stage)}".strip())
    return [f"Caution ({', '.join(named)}): {text}" for text, named in places.items()]


def least_time(run: BelowFloor) -> str:
    by_conduction = run.get("by") == "conduction"
    return (
        "half of what conduction takes to the opening temperature, a least time"
        if by_conduction
        else "the data sheet's least time"
    )


def process_sentence(stages: Sequence[StageDrift]) -> str:
    """
    >>> process_sentence([{"state": "steady"}, {"state": "steady"}, {"state": "too_few_runs"}])
    '2 steady, 1 with too few runs to tell'
    """
    words = {"drifting": "moved", "erratic": "erratic", "steady": "steady", "too_few_runs": "with too few runs to tell"}
    states = ["erratic" if erratic(stage) and not drifting(stage) else stage["state"] for stage in stages]
    numbers = {word: states.count(state) for state, word in words.items()}
    return ", ".join(f"{number} {word}" for word, number in numbers.items() if number)


def few_runs_sentence(stages: Sequence[StageDrift]) -> str | None:
    """The stages with too few runs to tell, named; None where there are none."""
    named = ", ".join(f"{word_of(stage)} ({count(stage['runs'], 'run')})" for stage in stages)
    return f"Too few runs to tell: {named}." if named else None


def each_stage(rows: Sequence[JudgedCell]) -> list[str]:
    """How many stages were right by themselves; rows have ``says`` of ``judged``."""
    judged_rows = [row for row in rows if row["says"] != "too few to tell"]
    few = len(rows) - len(judged_rows)
    if not judged_rows:
        return []
    off = sum(row["says"] in OFF for row in judged_rows)
    which = [
        f"{sum(row['says'] == word for row in judged_rows)} {word}"
        for word in OFF
        if any(row["says"] == word for row in judged_rows)
    ]
    rest = [f"{count(few, 'stage')} {'has' if few == 1 else 'have'} fewer than {FEWEST_JUDGED} runs."] if few else []
    right = f"{len(judged_rows) - off} of {count(len(judged_rows), 'stage')} {'is' if len(judged_rows) - off == 1 else 'are'} right"
    return [" ".join([f"{', '.join([right, *which])}.", *rest])]


def bottleneck_sentence(rows: Sequence[ProcessTime], first: Bottleneck | None) -> str:
    if first and first["load"] > 0:
        return held_up_by(first, first["lead_time_h"])
    longest = max(rows, key=lambda row: row.get("wait_min") or 0)
    if not longest.get("wait_min"):
        return "Nothing of what the shop file names was at work in these weeks, and nothing waited."
    return f"{longest['process']} waits longest: {duration(longest.get('wait_min'))} between its stages."


def held_up_by(first: Load, lead_h: float) -> str:
    """What builds wait for most and what that costs them, as the capacity command and the week's page say it.

    >>> held_up_by({"resource": "bed-1", "kind": "machine", "load": 0.294, "sooner_h": 1.2}, 40.3)
    'Builds wait most for machine bed-1: without that wait one is ready about 1 h sooner (40 h now). It is in use 29 % of its hours.'
    >>> held_up_by({"resource": "lab", "kind": "crew", "load": 0.22, "sooner_h": 0.02}, 40.3)
    'Nothing holds builds up for long. The first is crew lab, in use 22 % of its opening hours.'
    """
    what = f"{first['kind']} {first['resource']}"
    used = f"in use {share(first['load'])} of its {'opening ' if first['kind'] == 'crew' else ''}hours"
    sooner_h = first["sooner_h"] or 0.0
    if sooner_h < NOTICED_H:
        return f"Nothing holds builds up for long. The first is {what}, {used}."
    gain, now = roughly(60 * sooner_h), roughly(60 * lead_h)
    return f"Builds wait most for {what}: without that wait one is ready about {gain} sooner ({now} now). It is {used}."


def failed_sentence(time_goes: TimeGoes) -> list[str]:
    printed, failed = time_goes.get("printed") or 0, time_goes.get("failed") or 0
    return [f"Of {count(printed, 'build')} printed in these weeks {failed or 'none'} failed."] if printed else []


def times_of(row: ProcessTime) -> dict[str, float | None]:
    """Minutes of one process by the words of their kinds."""
    minutes = (row.get("touch_min"), row.get("machine_min"), row.get("wait_min"))
    return dict(zip(KINDS_OF_TIME, minutes, strict=True))


def hours_sentence(row: ProcessTime) -> str:
    """What one process took: the words of its bars.

    >>> hours_sentence({"process": "PBF", "touch_min": 600, "machine_min": 1200, "wait_min": 90, "builds": 2})
    'PBF, work on 2 builds: 10 h hands on, 20 h machine alone, 1 h 30 min waiting.'
    """
    builds = f", work on {count(row['builds'], 'build')}" if row.get("builds") is not None else ""
    hours = ", ".join(f"{duration(minutes)} {word}" for word, minutes in times_of(row).items())
    return f"{row['process']}{builds}: {hours}."
