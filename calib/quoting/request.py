"""What somebody asks for: which parts, how many, when, how finished."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from calib.calendar.clock import to_minutes
from calib.errors import NoPlanError, UsageError
from calib.records import DIFFICULTIES, FINISHES, PROCESSES
from calib.shop.model import Shop
from calib.spelling import close_to

MOST_PARTS = 100_000
DEFAULT_FINISH = {"MEX": "supports_off", "VPP": "supports_off", "PBF": "blasted"}


@dataclass(frozen=True)
class OrderLine:
    """One part of an order.

    quantity : good parts, 1 or more
    finish : one of FINISHES; None: supports off, blasted for PBF
    needs : what the part must stand or be ('outdoor', 'clear', ...), in the shop's own words
    materials : ids that will do; empty: any
    least_wall_mm : thinnest wall of the part, where known [mm]
    """

    quantity: int
    finish: str | None = None
    difficulty: str = "normal"
    needs: tuple[str, ...] = ()
    materials: tuple[str, ...] = ()
    least_wall_mm: float | None = None

    def finish_of(self, process: str) -> str:
        return self.finish or DEFAULT_FINISH.get(process, "supports_off")


@dataclass(frozen=True)
class QuoteRequest:
    """What is wanted.

    lines : the parts of the order
    start : aware; from when the clock runs (approved file and material in house)
    processes : codes; empty: all that the shop has
    due : aware; the date to keep
    level : share of the draws inside a range, 0 < level < 1
    sure : chance that the promised date should have
    machines : ids; empty: all
    alone : quote powder beds without waiting for the shop's closing days
    """

    lines: tuple[OrderLine, ...]
    start: datetime
    processes: tuple[str, ...] = ()
    due: datetime | None = None
    level: float = 0.8
    sure: float = 0.9
    machines: tuple[str, ...] = ()
    alone: bool = False

    @property
    def quantity(self) -> int:
        """Good parts, of all lines together."""
        return sum(line.quantity for line in self.lines)

    @property
    def start_min(self) -> float:
        return to_minutes(self.start)


def check_request(request: QuoteRequest, shop: Shop) -> None:
    """One sentence for the first thing that cannot be.

    Raises UsageError for a value outside its range, NoPlanError where the shop cannot.
    """
    for quantity in (*(line.quantity for line in request.lines), request.quantity):
        if not 1 <= quantity <= MOST_PARTS:
            raise UsageError(
                f"quantity {quantity} cannot be quoted: 1 to {MOST_PARTS} parts expected.",
                "Split a larger series into deliveries.",
            )
    for line in request.lines:
        _known("finish", line.finish, FINISHES)
        _known("difficulty", line.difficulty, DIFFICULTIES)
    for name in ("level", "sure"):
        if not 0 < getattr(request, name) < 1:
            raise UsageError(f"{name} {getattr(request, name)} is not a chance: a number between 0 and 1 expected.")
    for process in request.processes:
        _known("process", process, tuple(PROCESSES))
        if not any(machine.process == process for machine in shop.machines.values()):
            raise NoPlanError(
                f"The shop has no {process} machine ({PROCESSES[process]}).",
                "Add one to the shop file; owned = false for one that is only thought of.",
            )
    if request.due is not None and request.due <= request.start:
        raise UsageError(
            f"due {request.due:%Y-%m-%d %H:%M} is not after the start, {request.start:%Y-%m-%d %H:%M}.",
            "Give a later date, or an earlier --start.",
        )
    if not shop.machines:
        raise NoPlanError("The shop file lists no machine.", "Add a [[machine]] to it.")


def _known(what: str, value: str | None, allowed: tuple[str, ...]) -> None:
    if value is None or value in allowed:
        return
    near = close_to(value, allowed)
    meant = f'Did you mean "{near[0]}"?' if near else ""
    raise UsageError(f'unknown {what} "{value}". Known: {", ".join(allowed)}.', meant)
