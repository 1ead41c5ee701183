"""What moved, as text: a short table, what it costs, where it comes from, what was logged near it; accepted changes."""

from __future__ import annotations

from rich.console import RenderableType

from calib.documents.drift import AcceptedChanges, ChangeAccepted, DriftDocument, StageDrift
from calib.report import sentences, stage_sentences
from calib.report.stage_sentences import look_first
from calib.report.terminal import as_sentence, as_text, listed, table
from calib.report.units import change, count, day, signed_percent, stage_name


def show_drift(doc: DriftDocument) -> str:
    """What moved, in a short table; steady and too-few-runs stages as a count."""
    stages = sentences.charts_of(doc)
    urgent = stage_sentences.most_urgent(stages, doc["as_of"])
    moved = list(filter(stage_sentences.drifting, urgent))
    few = [stage for stage in doc["stages"] if stage["state"] == "too_few_runs"]
    shown: list[RenderableType] = [*map(sentences.below_floor_sentence, listed(doc, "below_floor"))]
    shown += [*sentences.below_floor_cautions(listed(doc, "below_floor")), sentences.moved_sentence(doc)]
    if moved:
        shown.append(
            table(
                "process|stage|>change|9 of 10 times|began|>a build|where from",
                (drift_row(stage, doc["as_of"]) for stage in moved),
            )
        )
    for stage in urgent:
        shown.append(f"{stage_sentences.name_of(stage)}:")
        shown += [f"  {line}" for line in (*costs(stage, doc["as_of"]), *look_first(stage))]
    shown += stage_sentences.beside(stages)
    if few:
        shown.append(f"{count(len(few), 'stage')} {'has' if len(few) == 1 else 'have'} too few runs to tell.")
    shown += [as_sentence(text) for text in listed(doc, "warnings")]
    shown.append(f"Up to {day(doc['as_of'])}; set for {sentences.false_alarms(doc['false_alarms_per_year'])}.")
    return as_text(*shown)


def drift_row(stage: StageDrift, as_of: str) -> list[str]:
    low, high = signed_percent(stage["change_pct_low"]), signed_percent(stage["change_pct_high"])
    return [
        "all" if stage["process"] in stage_sentences.POOLED else stage["process"],
        stage_sentences.word_of(stage),
        signed_percent(stage["change_pct"]),
        f"{low} to {high}",
        when(stage, as_of),
        change(stage["minutes_per_build"]),
        stage_sentences.where_from(stage),
    ]


def when(stage: StageDrift, as_of: str) -> str:
    """The day of a step; the range of what crept, or may have: its likeliest day says little."""
    if "creep" not in stage["shape"]:
        return f"about {day(stage['since'], as_of)}"
    return f"{day(stage['since_low'], as_of)} to {day(stage['since_high'], as_of)}"


def costs(stage: StageDrift, as_of: str) -> list[str]:
    """Shape and range of the date, hours a month, and what quotes assume by now; where it did, how its spread changed."""
    spread = stage_sentences.spread_too(stage)
    if not stage_sentences.drifting(stage):
        return [*spread, *stage_sentences.raised(stage, as_of)]
    came = stage_sentences.began(stage)
    return [
        f"{came[:1].upper()}{came[1:]}; {stage_sentences.a_month(stage['hours_a_month'])}.",
        *stage_sentences.raised(stage, as_of),
        *stage_sentences.quotes_assume(stage),
        *spread,
    ]


def show_accept(doc: ChangeAccepted) -> str:
    return " ".join([*doc["warnings"], _accepted(doc)])


def _accepted(doc: ChangeAccepted) -> str:
    return (
        f"{doc['process']} {stage_name(doc['stage'])}: the change since {day(doc['since'])} is the plan from now on. "
        f"It is kept in the history with its note. Undo: calib drift --undo {doc['process']}:{doc['stage']}"
    )


def show_undone(doc: ChangeAccepted) -> str:
    return (
        f"{doc['process']} {stage_name(doc['stage'])}: the change since {day(doc['since'])} is no longer accepted; "
        "the plan before it counts again."
    )


def show_accepted(doc: AcceptedChanges) -> str:
    if not doc["accepted"]:
        return "No change was accepted yet. To accept one: calib drift --accept PROCESS:STAGE --note WHY"
    rows = [
        [
            change["process"], stage_name(change["stage"]), signed_percent(change["change_pct"]), day(change["since"]),
            day(change["accepted_at"]), day(change["undone_at"]) if change["undone_at"] else "", change["note"] or "",
        ]
        for change in doc["accepted"]
    ]  # fmt: skip
    return as_text(table("process|stage|>change|since about|accepted|taken back|note", rows))
