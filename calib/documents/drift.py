"""Which stages drift from plan, since when, by how much and where from."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from calib.documents.spans import Named


class ChartData(TypedDict):
    """Runs in the order of their ends, lists of one length; per cent from the level before the change."""

    at: list[str]
    build_id: list[str]  # or empty: builds are not known
    actual_min: list[float]
    actual_pct: list[float]
    expected_pct: list[float]  # at the time
    low_pct: list[float]  # 8 of 10 runs were expected between these
    high_pct: list[float]
    since: str | None


class SliceRow(TypedDict):
    """Where the runs of one value of one factor stand now against before, with the range that holds 9 of 10 times."""

    by: str
    value: str
    change_pct: float
    change_pct_low: float
    change_pct_high: float
    share: float  # of the whole change that its runs carry
    runs: int
    ask: NotRequired[bool]  # a person: whom to ask


class Erratic(TypedDict):
    """A change of the spread of a stage's times [%]."""

    since: str
    alarm_at: str
    change_pct: float
    change_pct_low: float
    change_pct_high: float


class Event(TypedDict):
    at: str
    machine: str | None
    station: str | None
    what: str | None
    note: str | None


class AlarmRow(TypedDict):
    """An alarm as the next look needs it; runs and minutes: those it rests on."""

    process: str
    stage: str
    kind: str  # 'level' or 'spread'
    sign: int
    signalled_at: str  # end of the run at which the chart crossed its limit
    first_at: str
    runs: int
    minutes: float
    since: str | None
    since_low: str | None
    since_high: str | None
    change_pct: float | None
    known_since: str | None
    ended_at: str | None
    ended_why: str | None


class LimitRow(TypedDict):
    """Limits of one chart for one quarter [log odds]."""

    quarter: str
    process: str
    stage: str
    level: float
    spread: float
    false_alarms_per_year: float


class QuotesAssume(TypedDict):
    """Minutes of a usual build as quotes took it before the change and take it now, and the share of it they took up."""

    plan_min: float | None
    now_min: float | None
    taken_up: float | None


class Origin(TypedDict):
    """Where a change comes from; where: 'the whole stage', 'station cure-1', or None: cannot tell."""

    slices: list[SliceRow]
    where: str | None
    where_chance: float | None


class Moved(TypedDict, total=False):
    """What a drifting stage has besides."""

    shape: str  # 'step', 'creep', 'step or creep'
    creeps: bool
    since_low: str
    since_high: str
    alarm_at: str
    hours_a_month: float
    plan_min: float | None  # as ``QuotesAssume``
    now_min: float | None
    taken_up: float | None
    where: str | None  # as ``Origin``
    where_chance: float | None


class LevelChange(Moved, total=False):
    """What the alarms of a stage's level say; nothing where the stage is steady."""

    state: str
    since: str
    change_pct: float
    change_pct_low: float
    change_pct_high: float
    minutes_per_build: float
    slices: list[SliceRow]
    causes: list[str]
    known_since: str


class StageDrift(Moved, Named):
    """One chart."""

    runs: int
    state: str  # 'steady', 'drifting', 'too_few_runs'
    since: str | None
    change_pct: float | None  # where the level stands now against before
    change_pct_low: float | None
    change_pct_high: float | None
    minutes_per_build: float | None
    slices: list[SliceRow]
    causes: list[str]  # of what only looks like a change
    erratic: Erratic | None
    accepted_since: str | None
    known_since: str | None
    alarms: list[AlarmRow]
    events: list[Event]
    chart: ChartData
    of: NotRequired[list[str]]  # stages that are charted together


class BelowFloor(TypedDict):
    """A run that ended below a data sheet's least time, or below what conduction takes."""

    build_id: str
    process: str
    stage: str
    actual_min: float
    floor_min: float
    by: str
    new: bool


class DriftDocument(TypedDict):
    """The contract's ``drift`` document."""

    as_of: str
    looked: str
    false_alarms_per_year: float
    stages: list[StageDrift]
    together: list[StageDrift]
    pooled: list[StageDrift]
    limits: list[LimitRow]
    alarms: list[AlarmRow]
    below_floor: NotRequired[list[BelowFloor]]
    warnings: NotRequired[list[str]]


class AcceptedChange(Named):
    """Times in UTC."""

    since: str
    change_pct: float | None
    accepted_at: str
    note: str
    known_until: str | None  # alarms up to then are accepted
    undone_at: str | None


class AcceptedChanges(TypedDict):
    accepted: list[AcceptedChange]


class ChangeAccepted(Named):
    since: str
    change_pct: NotRequired[float | None]
    undone: NotRequired[bool]
    note: str
    warnings: NotRequired[list[str]]
