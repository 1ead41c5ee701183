"""A comparison over quantities: which process is first where."""

from __future__ import annotations

from typing import Literal, NotRequired, TypedDict

from calib.documents.spans import Span

Measure = Literal["lead_time_h", "first_part_h", "touch_per_part_min"]


class AtQuantity(Span):
    quantity: int


class CompareLine(TypedDict):
    """One machine, or all of a process together (named last), over the quantities."""

    process: str
    machine: str
    lead_time_h: list[AtQuantity]
    per_part_h: list[AtQuantity]
    first_part_h: NotRequired[list[AtQuantity]]
    touch_per_part_min: NotRequired[list[AtQuantity]]


Zone = TypedDict("Zone", {"from": int, "to": int, "first": str | None, "chance": float | None, "contenders": list[str]})
Zone.__doc__ = "Quantities in which one process is first by a clear chance; first None: too close to call."

Crossover = TypedDict("Crossover", {"quantity": int, "from": str, "to": str, "chance": float})
Crossover.__doc__ = "The quantity from which another process is first."


class Caution(TypedDict):
    process: NotRequired[str]
    stages: list[str]
    text: str


class Out(TypedDict):
    process: str
    machine: str
    reason: str


class DotsAt(TypedDict):
    """The soonest plan of a process at one quantity: when each of 20 such jobs is ready, the soonest first."""

    quantity: int
    process: str
    ready_dots: list[str]


class CompareDocument(TypedDict):
    """The contract's ``compare`` document."""

    part: str
    quantities: list[int]
    options: list[CompareLine]
    zones: list[Zone]
    flips: list[Crossover]
    out: list[Out]
    draws: int
    seed: int
    notes: list[str]
    cautions: NotRequired[list[Caution]]
    warnings: list[str]
    dots: NotRequired[list[DotsAt]]  # at a few quantities
    closed_days: NotRequired[list[str]]
    shop: NotRequired[str | None]
    start: NotRequired[str]
    page: NotRequired[str]  # where --page wrote it
