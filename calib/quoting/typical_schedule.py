"""The typical schedule of an option, day by day, and when to start it so that unattended work ends when somebody is there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from calib.calendar.clock import OpenClock
from calib.calendar.week import until
from calib.documents.quote import BeginMoment, Course, StartAdvice
from calib.quoting.plan import Planned
from calib.quoting.ranges import iso
from calib.quoting.schedule import Ahead, Job, Resources, run_jobs
from calib.quoting.work import Work
from calib.records import hands_of
from calib.shop.model import Shop


def typical_schedule(work: Work, shop: Shop, clock: OpenClock, start: float, ahead: Ahead) -> list[Course]:
    """Spans of each stage when everything takes its usual minutes and nothing fails: job, stage, lane, from, to."""
    resources = Resources(
        shop, clock, 1, start, ahead=ahead.each(lambda values: np.median(values, axis=-1, keepdims=True))
    )
    spans: list[Course] = []
    for run in run_jobs(_usual(work.jobs), resources):
        for begin, end in _pieces(run.lane, float(run.start[0]), float(run.end[0]), clock):
            spans.append({"job": run.job, "stage": run.stage, "lane": run.lane,
                          "from": iso(begin, shop.timezone), "to": iso(end, shop.timezone)})  # fmt: skip
    return spans


def _usual(jobs: Sequence[Job]) -> list[Job]:
    def middle(values: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        return {name: np.array([float(np.median(value))]) for name, value in values.items()}

    return [
        replace(
            job,
            minutes={stage: np.array([job.usually[stage]]) for stage in job.stages},
            waits=middle(job.waits),
            failed_at=None,
        )
        for job in jobs
    ]


def _pieces(lane: str, begin: float, end: float, clock: OpenClock) -> list[tuple[float, float]]:
    """Work with hands is cut at closing hours; a machine runs on."""
    if lane != "hands" or end <= begin:
        return [(begin, end)] if end > begin else []
    cut = [(max(begin, opens), min(end, closes)) for opens, closes in clock.spans(begin, end)]
    return [(first, last) for first, last in cut if last > first]


EVERY_MIN = 30.0
WITHIN_MIN = 24 * 60.0
CLEARLY = 0.25  # more often in staffed hours than at once: less is not worth a later start (our choice)
NO_LATER_MIN = 15.0  # a start that brings the parts to hand later than this is not advised


def start_advice(planned: Planned, shop: Shop, clock: OpenClock) -> StartAdvice | None:
    """Of the starts in the next day the one that ends unattended work in staffed hours most surely, and no later; at once
    where none is CLEARLY better.

    Returns stage (that ends it), ``at_once`` and ``advised``: start_at, chance_staffed (of the end), in_hand_at (usual
    time at which somebody can take it); ``moved`` (whether they differ) and ``text``. None where somebody is always
    there, where the machine may not run alone, or where nothing of it runs alone.
    """
    job = next((job for job in planned.work.jobs if job.machine), None)
    machine = shop.machines[job.machine] if job is not None and job.machine else None
    if job is None or machine is None or clock.always_open or not machine.lights_out or planned.printing is None:
        return None
    alone = unattended(job.stages)
    if not alone:
        return None
    went_well = slice(None) if job.failed_at is None else ~job.failed_at.any(axis=0)
    minutes = np.sum([job.minutes[stage] for stage in alone], axis=0)[went_well]
    first = float(np.median(planned.printing))
    starts = np.array([first, *_candidates(first, shop, clock)])
    ends = starts[:, None] + minutes
    in_hand = clock.next_open(ends)
    usual, staffed = np.median(in_hand, axis=1), np.mean(in_hand - ends < 1e-6, axis=1)
    fit = np.flatnonzero(usual <= usual.min() + NO_LATER_MIN)
    best = int(fit[np.lexsort((starts[fit], -staffed[fit].round(2)))[0]])
    best = best if staffed[best] >= staffed[0] + CLEARLY else 0
    at_once, advised = (_moment(i, starts, staffed, usual, shop.timezone) for i in (0, best))
    return {
        "machine": machine.id,
        "stage": alone[-1],
        "at_once": at_once,
        "advised": advised,
        "moved": best != 0,
        "text": _text(alone[-1], at_once, advised, best != 0),
    }


def unattended(stages: tuple[str, ...]) -> list[str]:
    """Stages from printing on until hands are needed again."""
    if "printing" not in stages:
        return []
    after = list(stages[stages.index("printing") :])
    end = next((i for i, stage in enumerate(after) if hands_of(stage) != "none"), len(after))
    return after[:end]


def _candidates(first: float, shop: Shop, clock: OpenClock) -> list[float]:
    """Every half hour at which somebody is there and may start it."""
    latest = shop.quoting.get("no_unattended_start_after")
    may = OpenClock(until(shop.attended, latest), shop.closures, shop.timezone) if latest else clock
    grid = np.ceil(first / EVERY_MIN) * EVERY_MIN + np.arange(0, WITHIN_MIN + 1, EVERY_MIN)
    return [float(moment) for moment in grid if float(may.next_open(moment)) == moment or _closing(may, float(moment))]


def _closing(clock: OpenClock, moment: float) -> bool:
    """The last minute of a day is still time to start."""
    return any(end == moment for _, end in clock.spans(moment - 1, moment + 1))


def _moment(i: int, starts: np.ndarray, staffed: np.ndarray, usual: np.ndarray, zone: str) -> BeginMoment:
    return {
        "start_at": iso(starts[i], zone),
        "chance_staffed": round(float(staffed[i]), 4),
        "in_hand_at": iso(usual[i], zone),
    }


def _text(stage: str, at_once: BeginMoment, advised: BeginMoment, moved: bool) -> str:
    named = stage.replace("_", " ")
    if not moved:
        return f"Start the first build at once: {named} ends in staffed hours {_times(at_once)} of 100 times."
    start = datetime.fromisoformat(advised["start_at"])
    return (
        f"Start the first build at {start:%H:%M} on {start:%a} {start.day} {start:%b}: {named} then ends in staffed "
        f"hours {_times(advised)} of 100 times (at once: {_times(at_once)}), and is in hand no later."
    )


def _times(moment: BeginMoment) -> str:
    return f"{100 * moment['chance_staffed']:.0f}"
