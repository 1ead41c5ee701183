"""What is under way in the lab, build by build: what the bench's and the floor's pages show."""

from __future__ import annotations

from typing import Any, TypedDict


class BuildStep(TypedDict):
    """A stage that a build still has before it."""

    stage: str
    places: list[str]  # where it can be done
    cautions: list[str]
    usual_min: float
    most_min: float  # what 9 of 10 take at most
    least_min: float | None  # of the data sheet; 0: none
    hands: str


class StepTimes(TypedDict):
    """When a step usually ends, by when 9 of 10 do, and before when its least time is not over."""

    usual_at: str
    most_at: str
    least_at: str | None


class ShownRun(TypedDict):
    """A run by its key; what is not known is ''."""

    run: str
    build_id: str
    order_id: str
    stage: str
    started_at: str
    station: str


class OpenRun(ShownRun):
    """A run that has not ended, with the columns that make up its key."""

    attempt: int
    run_id: str
    operator: str


class RunningRun(OpenRun, StepTimes):
    """The open run of a build's first step."""

    is_early: bool  # its least time is not over


class BuildUnderWay(TypedDict):
    build_id: str
    process: str
    machine: str
    material: str
    parts: int | None
    order_id: str | None
    quote_id: str | None
    is_awaited: bool  # of an accepted quote, not logged yet
    has_begun: bool
    plan: dict[str, Any] | None  # its row of a ``builds`` file, where it is awaited
    steps: list[BuildStep]
    running: RunningRun | None
    attempt: int  # of the first step


class UnderWay(TypedDict):
    at: str
    builds: list[BuildUnderWay]  # in the order of work
    open_runs: list[OpenRun]  # of the last days, the latest first
    places: list[str]  # ids of machines and stations
    people: str
    crew: int
