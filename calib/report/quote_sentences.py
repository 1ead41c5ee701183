"""The sentences of a quote and of a comparison, for a terminal, for the local page and for sheets of paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from calib.documents.compare import Caution, CompareDocument, CompareLine, Out, Zone
from calib.documents.quote import Cause, Cost, Course, QuoteDocument, QuoteOption, StageTime, Tie
from calib.documents.spans import Span
from calib.report.units import clock_time, count, half_day_time, joined, share, short_day, stage_name, times

HARDLY = 0.005
SHOWN = 8


SINGLY = 3  # so many options are named one by one


def warning_lines(options: Sequence[QuoteOption]) -> list[str]:
    """What to know of the soonest option of each process, each sentence once."""
    sentences: dict[str, str] = {}
    for option in first_of_each(options):
        for text in option.get("warnings") or ():
            sentences.setdefault(text, "Note" if option is options[0] else f"Note ({option['process']})")
    return [f"{who}: {text}" for text, who in sentences.items()]


def cautions_of(options: Sequence[QuoteOption]) -> list[Caution]:
    """Cautions of options, those of one process and text once, with all the stages that they are for."""
    stages_of: dict[tuple[str, str], dict[str, None]] = {}
    for option in options:
        for caution in option.get("cautions") or ():
            key = (caution.get("process") or option["process"], caution["text"])
            stages_of.setdefault(key, {}).update(dict.fromkeys(caution["stages"]))
    return [{"process": process, "text": text, "stages": list(own)} for (process, text), own in stages_of.items()]


def parts_asked(doc: QuoteDocument) -> str:
    items = doc.get("items") or ()
    if len(items) > 1:
        return ", ".join(f"{item['quantity']:,} × {item['part']}" for item in items)
    return f"{doc['quantity']:,} × {doc['part']}"


def notes_of(doc: QuoteDocument) -> tuple[list[str], list[str]]:
    """What must be read first (a unit that was assumed), and the rest."""
    notes = [str(text) for text in (*(doc.get("notes") or ()), *(doc.get("warnings") or ()))]
    first = [text for text in notes if " unit" in text.lower()]
    return first, [text for text in notes if text not in first]


def chosen(options: Sequence[QuoteOption]) -> list[QuoteOption]:
    """The SHOWN soonest, and the soonest of each process that is not among them."""
    if len(options) <= SHOWN:
        return list(options)
    kept = [id(option) for option in (*options[:SHOWN], *first_of_each(options))]
    return [option for option in options if id(option) in kept]


def usual_cost(option: QuoteOption) -> str:
    cost = option.get("cost")
    return f"{cost['p50']:.0f}" if cost else ""


def currency_of(options: Sequence[QuoteOption]) -> str:
    """That of the first option with a cost; '' where none has."""
    return next((cost["currency"] for option in options if (cost := option.get("cost"))), "")


def option_name(option: QuoteOption) -> str:
    ride = f" ({option['ride']})" if option.get("ride") else ""
    return f"{option['process']} {option['machine']}{ride}"


def promised_words(option: QuoteOption, start: str) -> str:
    """The half day that is promised of an option; of one quoted before half days were kept the minute."""
    return half_day_time(option.get("promised_at") or option.get("sure_at") or option["ready_at"]["p90"], start)


def due_words(due: str, start: str) -> str:
    """
    >>> due_words("2026-12-01T00:00+00:00", "2026-11-25T08:00+00:00")
    'the end of Mon 30 Nov'
    """
    when = datetime.fromisoformat(due)
    if when.hour or when.minute:
        return clock_time(due, start)
    return f"the end of {short_day((when - timedelta(minutes=1)).isoformat(), start)}"


def advice(doc: QuoteDocument) -> str:
    """What to promise, by which option, how surely, and what keeps the date asked for."""
    option, sure = doc["options"][0], doc.get("sure", 0.9)
    kept, asked = times(option.get("promise_chance", sure)), times(sure)
    rounded = "" if kept == asked else f"{asked} asked for, rounded up to the half day; "
    return " ".join(
        [
            f"Promise {promised_words(option, doc['start'])}: {kept} such jobs are ready by then ({rounded}{named_option(option)}).",
            *_rivals(doc),
            *about_due(doc),
        ]
    )


def named_option(option: QuoteOption) -> str:
    """
    >>> named_option({"process": "MEX", "machine": "m1", "cost": {"p50": 101.7, "currency": "GBP"}})
    'MEX m1, 102 GBP'
    """
    cost = f", {usual_cost(option)} {currency_of([option])}" if option.get("cost") else ""
    return f"{option['process']} {option['machine']}{cost}"


def when_to_start(doc: QuoteDocument) -> list[str]:
    """A sentence where a later start of the first build is better; none where it starts at once."""
    advice_ = doc.get("start_advice")
    return [advice_["text"]] if advice_ and advice_["moved"] else []


def _rivals(doc: QuoteDocument) -> list[str]:
    """Who else keeps the same half day, or how often the first is the first; and where a later promise costs less."""
    if len(doc["options"]) == 1:
        return ["It is the only one that can make this."]
    given = doc.get("promise") or {"ties": (), "cheapest": None}
    lines = []
    if given["ties"]:
        lines.append(ties_line(given["ties"]))
    else:
        other = "process" if len({option["process"] for option in doc["options"]}) > 1 else "machine"
        lines.append(f"{times(doc['soonest']['chance']).capitalize()} times no other {other} is sooner.")
    if given["cheapest"]:
        lines.append(
            f"Cheapest: {half_day_time(given['cheapest']['promised_at'], doc['start'])}, {_short(given['cheapest'])}."
        )
    return lines


def ties_line(ties: Sequence[Tie]) -> str:
    return f"Too close to call: {_listed(ties)} {_keep(ties)} it too."


def about_due(doc: QuoteDocument, short: bool = False) -> list[str]:
    """The options that keep the date asked for, the cheapest first; ``short`` names that one beside a table."""
    due = doc.get("due")
    if not due:
        return []
    best = max(option["on_time"] or 0.0 for option in doc["options"])
    wanted = f"Wanted by {due_words(due, doc['start'])}:"
    if best < HARDLY:
        return [f"{wanted} no option keeps it."]
    keep: Sequence[Tie | QuoteOption] = doc.get("keep_due") or [
        option for option in doc["options"] if option["on_time"] == best
    ]
    if short and len(keep) > 1 and keep[0]["cost"]:
        return [f"{wanted} {_short(keep[0])} is the cheapest to keep it."]
    cheaper = f"; {_short(keep[0])} is the cheapest" if len(keep) > 1 and keep[0]["cost"] else ""
    least = min(float(option.get("chance", best)) for option in keep)  # type: ignore[arg-type]  # of an option itself: best
    more = "" if times(least) == times(best) else " or more"
    return [f"{wanted} {_listed(keep)} {_keep(keep)} it {times(least)} times{more}{cheaper}."]


def _keep(options: Sequence[Tie | QuoteOption]) -> str:
    return "keeps" if len(options) == 1 else "keep"


def _listed(options: Sequence[Tie | QuoteOption]) -> str:
    """
    >>> _listed([{"process": "MEX", "machine": f"m{n}", "cost": None} for n in range(6)])
    'MEX m0, MEX m1, MEX m2 and 3 more'
    """
    names = [_short(option) for option in options]
    if len(names) <= SINGLY + 1:
        return joined(names)
    return f"{', '.join(names[:SINGLY])} and {len(names) - SINGLY} more"


def _short(option: Tie | QuoteOption) -> str:
    """An option as a tie names it, its cost a number; or one of a document that had no ties."""
    cost = option.get("cost")
    usual = cost["p50"] if isinstance(cost, Mapping) else cost
    return f"{option['process']} {option['machine']}" + (f" ({usual:.0f})" if usual else "")


def basis(option: QuoteOption) -> str:
    """How much was learned behind an option.

    >>> basis({"stages": [{"runs_behind": 0}, {"runs_behind": 84}, {"runs_behind": 20}]})
    'Learned from 20 to 84 runs of each stage in your logs; 1 of 3 stages not yet learned: wide.'
    """
    runs = [stage["runs_behind"] for stage in option["stages"]]
    learned = sorted(behind for behind in runs if behind)
    if not learned:
        return "Not yet learned, physics alone: wide."
    few, many = learned[0], learned[-1]
    runs_of = f"{few} to {many} runs" if few < many else f"{many} runs"
    learned_from = f"Learned from {runs_of} of each stage in your logs"
    unlearned = len(runs) - len(learned)
    return (
        f"{learned_from}; {unlearned} of {len(runs)} stages not yet learned: wide." if unlearned else f"{learned_from}."
    )


def outside_lines(doc: QuoteDocument) -> list[str]:
    return [
        f"Made outside by {supplier['id']}: {clock_time(supplier['ready_at'], doc['start'])}"
        + (f", {supplier['price']:.0f}" if supplier.get("price") is not None else "")
        + f" ({supplier['basis']})."
        for supplier in doc.get("outside") or ()
    ]


def by_reason(out: Sequence[Out]) -> dict[str, list[str]]:
    """
    >>> by_reason([{"process": "MEX", "machine": "a", "reason": "too small"}] * 2)
    {'too small': ['a (MEX)', 'a (MEX)']}
    """
    reasons: dict[str, list[str]] = {}
    for machine in out:
        reasons.setdefault(machine["reason"], []).append(f"{machine['machine']} ({machine['process']})")
    return reasons


def first_of_each(options: Sequence[QuoteOption]) -> list[QuoteOption]:
    """The soonest option of each process."""
    first: dict[str, QuoteOption] = {}
    for option in options:
        first.setdefault(option["process"], option)
    return list(first.values())


def pieces_a_day(a_day: Span) -> str:
    """
    >>> pieces_a_day({"p10": 25.4, "p50": 29.0, "p90": 31.1}), pieces_a_day({"p10": 0.4, "p50": 0.52, "p90": 0.6})
    ('29 pieces a day (25 to 31, 8 of 10 times)', '0.52 pieces a day (0.40 to 0.60, 8 of 10 times)')
    """
    digits = 0 if a_day["p50"] >= 10 else 1 if a_day["p50"] >= 1 else 2
    low, middle, high = (f"{a_day[name]:,.{digits}f}" for name in ("p10", "p50", "p90"))
    return f"{middle} pieces a day ({low} to {high}, 8 of 10 times)"


def process_lines(options: Sequence[CompareLine]) -> dict[str, CompareLine]:
    """Of each process the line of all its machines together, which is named last."""
    return {option["process"]: option for option in options}


def hours(value: float) -> str:
    """Hours up to three days, then days of 24 hours, to the half day.

    >>> hours(5.2), hours(44.4), hours(133), hours(74.4)
    ('5 h', '44 h', '5.5 d', '3 d')
    """
    return f"{value:.0f} h" if value < 72 else f"{round(value / 12) / 2:g} d"


def zone_sentences(doc: CompareDocument) -> list[str]:
    """From which quantity to which one process is first, and where it is too close to call."""
    zones = doc.get("zones") or ()
    if len(process_lines(doc["options"])) == 1:
        return [f"{doc['options'][0]['process']} is the only process that can make it."]
    return [f"{_span(zone, zones)}: {_who_is_first(zone)}." for zone in zones]


def _span(zone: Zone, zones: Sequence[Zone]) -> str:
    if len(zones) == 1:
        return "At all these quantities"
    if zone is zones[-1]:
        return f"From {count(zone['from'], 'part')} on"
    return count(zone["to"], "part") if zone["from"] == zone["to"] else f"{zone['from']} to {zone['to']} parts"


def _who_is_first(zone: Zone) -> str:
    """
    >>> _who_is_first({"first": "PBF", "chance": 0.753}), _who_is_first({"first": None, "contenders": ["MEX", "VPP"]})
    ('PBF first, 75 of 100 times or more', 'too close to call between MEX and VPP')
    """
    if zone["first"] is None:
        return f"too close to call between {joined(zone['contenders'])}"
    return f"{zone['first']} first, {times(zone['chance'])} times or more"


def first_at(zones: Sequence[Zone], quantity: int) -> str | None:
    """The process that is first by a clear chance; None where it is too close to call."""
    return next((zone["first"] for zone in zones if zone["from"] <= quantity <= zone["to"]), None)


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
    return joined([stage_name(stage["stage"]) for stage in stages if stage["stage"] in TOLD_OUTSIDE])


def ready_means(stages: Sequence[StageTime]) -> str:
    """
    >>> ready_means([{"stage": "printing"}, {"stage": "packing"}])
    'finished and packed, at the lab; carriage is not included'
    """
    done = {stage_time["stage"] for stage_time in stages}
    words = ["finished", *(word for stage, word in (("inspection", "checked"), ("packing", "packed")) if stage in done)]
    return f"{joined(words)}, at the lab; carriage is not included"


def from_gaps(stages: Sequence[StageTime]) -> list[str]:
    """What the star behind a stage means, where one has it.

    >>> from_gaps([{"stage": "printing", "from_gaps": False}])
    []
    """
    if not any(stage.get("from_gaps") for stage in stages):
        return []
    return [
        "* Nobody logs it: from the gaps between logged stages (0 min: done along with the stage beside it, if at all). "
        "Is it done here? calib review asks."
    ]


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
    treated = (
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
        f"{treated}{undone}; some skins react to cured resin all the same: not for food, nor for lasting contact with skin. "
        "Fitness for a load or for heat was not judged."
    )


def narrower(cause: Cause) -> str:
    """What would make the range narrower, for one cause of its width.

    >>> narrower({"cause": "waiting", "share": 0.54, "runs_behind": None})
    'waiting for a person (about 54 %). To narrow it: book a bench slot for this order.'
    """
    name, runs = cause["cause"], cause.get("runs_behind")
    remedy = NARROWER.get(name)
    if remedy is None:
        remedy = "its first logged runs" if not runs else f"steadier work, or more than the {runs} runs behind it"
    what = "waiting for a person" if name == "waiting" else stage_name(name)
    return f"{what} (about {share(cause['share'])}). To narrow it: {remedy}."


def later_than_its_course(option: QuoteOption, course: Sequence[Course], usual: str) -> str:
    """Why the usual date is later than the course drawn, where it is by more than a few hours."""
    if not course:
        return ""
    end = max(datetime.fromisoformat(span["to"]) for span in course)
    if datetime.fromisoformat(option["ready_at"]["p50"]) - end < FEW_HOURS:
        return ""
    return f"Waits that add up, failed builds and closing hours make the usual date later than drawn: {usual}."


def cost_words(cost: Cost) -> str:
    """
    >>> cost_words({"p10": 90, "p50": 100, "p90": 120, "currency": "GBP", "usual": {"machine": 60, "person": 40}})
    '100 GBP (90 to 120, 8 of 10 times): machine 60, person 40'
    """
    parts = ", ".join(f"{name} {value:,.0f}" for name, value in (cost.get("usual") or {}).items() if value >= 0.5)
    usual = f"{cost['p50']:,.0f} {cost['currency']} ({cost['p10']:,.0f} to {cost['p90']:,.0f}, 8 of 10 times)"
    return f"{usual}: {parts}" if parts else usual
