"""The usual course of an option, day by day: who or what is at work in which hours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from calib.calendar.clock import OpenClock
from calib.quoting.ranges import iso
from calib.quoting.schedule import Ahead, Floor, Job, run_jobs
from calib.quoting.work import Work
from calib.shop.model import Shop


def usual_course(work: Work, shop: Shop, clock: OpenClock, start: float, ahead: Ahead) -> list[dict[str, Any]]:
    """Spans of each stage when everything takes its usual minutes and nothing fails: job, stage, lane, from, to."""
    floor = Floor(shop, clock, 1, start, ahead=ahead.each(lambda values: np.median(values, axis=-1, keepdims=True)))
    spans = []
    for run in run_jobs(_usual(work.jobs), floor):
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
            minutes={stage: np.array([job.usual_of(stage)]) for stage in job.stages},
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
