"""What was measured of a part, or of a machine's path."""

from __future__ import annotations

from typing import NotRequired, TypedDict


class Supports(TypedDict):
    overhang_deg: float
    volume_cm3: float
    contact_cm2: float


class Room(TypedDict):
    volume_cm3: float
    opening_cm2: float
    opening_mm: float
    openings: int


class Hollows(TypedDict):
    sealed_cm3: float
    open_cm3: float
    opening_cm2: float
    rooms: list[Room]
    narrow_cm3: float
    narrow_mm: float


class Layer(TypedDict):
    z_mm: float
    area_mm2: float
    perimeter_mm: float


class MeasureDocument(TypedDict):
    """The contract's ``measure`` document."""

    part: str
    volume_cm3: float | None
    area_cm2: float
    bounds_mm: list[list[float]]
    watertight: bool
    bodies: int
    unit: str
    supports: Supports
    hollows: Hollows
    warnings: list[str]
    notes: NotRequired[list[str]]
    layers: NotRequired[list[Layer]]


class PathMachine(TypedDict):
    id: str | None
    acceleration_mm_s2: float
    corner_speed_mm_s: float


class MoveMinutes(TypedDict):
    """Minutes by kind of move: ``records.MOVE_KINDS``."""

    laying_min: float
    travel_min: float
    material_min: float
    dwell_min: float


class PathLayer(MoveMinutes):
    z_mm: float
    minutes: float


class PathDocument(MoveMinutes):
    path: str
    machine: PathMachine
    lines: int  # of the file
    moves: int
    size_mm: list[float]
    printing_min: float
    heat_before_min: float
    heat_between_min: float
    layers: list[PathLayer]
    warnings: list[str]
