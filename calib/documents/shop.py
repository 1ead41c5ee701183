"""The shop: how full it is, what a change of it gives, pieces to start, a new one."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from calib.documents.compare import Out
from calib.documents.spans import Span


class Load(TypedDict):
    """One resource; hours are a week's."""

    resource: str
    kind: str  # 'machine', 'station' or 'crew'
    servers: int
    hours_there: float
    hours_used: float
    running_h: float
    waiting_h: float  # held by a build that nobody has come for
    idle_h: float
    load: float  # hours used over hours there
    sooner_h: float | None  # how much sooner a build is ready on average where nothing waits for it
    wait_h: float | None
    wait_h_one_more: float | None


class CapacityDocument(TypedDict):
    demand: str
    builds: int
    weeks: float
    resources: list[Load]
    lead_time_h: float
    changed: list[Load] | None
    changed_lead_time_h: float | None
    bottleneck: str | None
    warnings: list[str]


Pieces = TypedDict(
    "Pieces",
    {"process": str, "start": int | None, "yield": float | None, "pieces_behind": int, "chance": float | None},
)
Pieces.__doc__ = "Pieces to start so that enough are good; start None: the yield is not known yet."


class PiecesDocument(TypedDict):
    good: int
    sure: float
    processes: list[Pieces]


class Side(TypedDict):
    """An option in one of the two shops."""

    lead_time_h: Span
    touch_min: Span
    builds: int
    process: NotRequired[str]
    machine: NotRequired[str]


class Gain(TypedDict):
    """What the change gains; None where there is nothing to compare."""

    sooner_h: Span | None
    chance_sooner: float | None
    chance_later: float | None


class Best(Gain):
    today: Side | None
    changed: Side | None


class WhatIfOption(Best):
    process: str
    machine: str
    ride_along: bool


class WhatIfOrder(TypedDict):
    part: str
    quantity: int
    start: str
    soonest: Best
    options: list[WhatIfOption]
    out: list[Out]  # of the changed shop
    on_site: list[str]  # who must be there, and cautions
    warnings: list[str]


class TodayAndChanged(TypedDict):
    today: Span
    changed: Span


class Turnaround(Gain):
    turnaround_h: TodayAndChanged  # mean over all builds, from release to last stage


class ProcessTurnaround(Turnaround):
    process: str


class WhatIfWeeks(Turnaround):
    demand: str  # in words
    builds: int
    weeks: float
    by_process: list[ProcessTurnaround]
    resources: dict[str, list[Load]]  # today, changed
    on_site: list[str]
    warnings: list[str]


class NewMachine(TypedDict):
    id: str
    process: str


class InitDocument(TypedDict):
    folder: str
    timezone: str
    machines: list[NewMachine]
    files: list[str]
    logs: str
    maps: str
    safety: str
    warnings: list[str]


class TemplatesDocument(TypedDict):
    written: list[str]
    left_alone: list[str]  # files that somebody has filled
