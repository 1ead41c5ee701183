"""A quote: the options for an order, each with its ranges and its promise; and what was agreed of one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NotRequired, TypedDict

from calib.documents.compare import Caution, CompareDocument, Out
from calib.documents.spans import Moments, Span


class Item(TypedDict):
    part: str
    quantity: int
    finish: str | None
    material: NotRequired[str | None]
    needs: NotRequired[list[str]]
    size_mm: NotRequired[list[float]]  # of the box round it, as it lies in the file


class StageTime(TypedDict):
    """Minutes of the whole order."""

    stage: str
    baseline_min: float
    p10_min: float
    p50_min: float
    p90_min: float
    touch_min: float  # usual minutes of hands
    runs_behind: int
    from_gaps: NotRequired[bool]  # nobody logs it: its minutes are what the logged stages leave for it


class Term(TypedDict):
    """One term of the baseline of one build."""

    stage: str
    name: str
    minutes: float
    formula: str
    inputs: dict[str, Any]
    source: str


class Cost(Span):
    """In ``currency``, for the whole order."""

    currency: str
    usual: dict[str, float]  # by kind


class Pose(TypedDict):
    part: str
    lies: str  # 'on the file's y+ side', in words
    fixed: bool
    size_mm: list[float]
    support_cm3: float
    contact_cm2: float


Within = TypedDict("Within", {"level": float, "from": str, "to": str})
Within.__doc__ = "The shortest range of a date that holds with ``level``; times."


class PlannedBuilds(TypedDict):
    """Builds alike that follow each other, as a row of a ``builds`` file; ``builds`` : how many.

    A build of one part names its ``part_file``, one of several its ``items``: file and copies of each.
    """

    builds: int
    part_file: str | None
    items: NotRequired[list[tuple[str, int]]]
    process: str
    machine: str
    material: str
    finish: str
    difficulty: str
    parts: float
    part_volume_cm3: float
    part_area_cm2: float
    support_volume_cm3: float
    support_contact_cm2: float
    height_mm: float
    packed_volume_cm3: float | None


class QuoteOption(TypedDict):
    """One way to make the order."""

    process: str
    machine: str  # several that share the builds are joined by '+'
    material: str
    ride: NotRequired[str | None]  # a build whose free room it fills
    builds: int
    parts_per_build: int
    stages: list[StageTime]
    terms: NotRequired[list[Term]]
    work_min: Span  # of all stages added
    touch_min: Span
    lead_time_h: Span  # from the start to the last part
    first_part_h: Span
    ready_at: Moments
    ready_within: NotRequired[Within]
    ready_dots: NotRequired[list[str]]  # times of 20 such jobs, the soonest first
    lead_quantiles_h: list[list[float]]  # level, hours
    sure_at: str  # time by which it is ready with the chance ``sure``
    promised_at: NotRequired[str]  # that, to the half day
    half_day: NotRequired[str]  # 'midday', 'end of the day'
    promise_chance: NotRequired[float]
    on_time: float | None  # chance to keep the date asked for
    cost: Cost | None
    warnings: list[str]
    cautions: NotRequired[list[Caution]]
    plan: NotRequired[list[PlannedBuilds]]
    poses: NotRequired[list[Pose]]
    pieces_per_day: NotRequired[Span | None]  # once the line runs


class OwnPromise(TypedDict):
    """What is promised of one option."""

    promised_at: str
    half_day: str
    promise_chance: float


class Tie(TypedDict):
    """An option named beside the first; cost is its usual one."""

    process: str
    machine: str
    promised_at: str
    cost: float | None
    chance: NotRequired[float]


class Promised(TypedDict):
    """What to promise, which options keep it too, and the cheapest where a later date costs less."""

    process: NotRequired[str]
    machine: NotRequired[str]
    promised_at: NotRequired[str]
    half_day: NotRequired[str]
    sure: NotRequired[float]
    chance: NotRequired[float]
    ties: Sequence[Tie]
    cheapest: Tie | None


class Soonest(TypedDict):
    process: str
    machine: str
    chance: float  # that no other process (or machine, where there is one process) is sooner


class Outside(TypedDict):
    """A supplier's offer."""

    id: str
    process: NotRequired[str | None]
    late_at: NotRequired[str | None]
    ready_at: str
    price: float | None
    basis: str


class BeginMoment(TypedDict):
    start_at: str
    chance_staffed: float
    in_hand_at: str


class StartAdvice(TypedDict):
    machine: str
    stage: str
    at_once: BeginMoment
    advised: BeginMoment
    moved: bool
    text: str


class Cause(TypedDict):
    """One cause of the width of the range, and the share of the variation that goes with it."""

    cause: str
    share: float
    runs_behind: int | None


class View(TypedDict):
    """One view of a part: its lines as pairs of points [mm]."""

    lines: Sequence[Any]
    width_mm: float
    height_mm: float
    left_out: int  # lines too many to draw


class Drawing(TypedDict):
    part: str
    views: Mapping[str, View]  # front, side, top


Course = TypedDict("Course", {"job": str, "stage": str, "lane": str, "from": str, "to": str})
Course.__doc__ = "One span of the typical schedule; lane: 'hands', 'machine' or 'waiting'."


class QuoteDocument(TypedDict):
    """The contract's ``quote`` document."""

    quote_id: NotRequired[str | None]
    part: str
    quantity: int  # of all parts
    items: NotRequired[list[Item]]
    level: float
    options: list[QuoteOption]  # the earliest promise first
    out: NotRequired[list[Out]]
    soonest: Soonest
    promise: NotRequired[Promised]
    keep_due: NotRequired[list[Tie] | None]
    valid_until: str  # day
    start: str
    due: NotRequired[str | None]
    sure: float  # chance that a promise is to have
    draws: int
    seed: int
    notes: NotRequired[list[str]]
    warnings: NotRequired[list[str]]
    outside: NotRequired[list[Outside]]
    start_advice: NotRequired[StartAdvice | None]
    width: NotRequired[list[Cause]]
    drawing: NotRequired[Mapping[str, View] | None]
    drawings: NotRequired[list[Drawing]]
    course: NotRequired[list[Course]]
    closed_days: NotRequired[list[str]]  # from the start to the latest usual range
    comparison: NotRequired[CompareDocument | None]
    shop: NotRequired[str | None]
    as_of: NotRequired[str | None]  # day up to which was learned; None: nothing was


class Agreed(TypedDict):
    """Of an accepted quote: number of its option, the time promised, its chance then."""

    option: int
    promised_at: str
    chance: float | None
