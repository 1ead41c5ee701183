"""What work has to wait for: people by skill, machines with chambers, stations with places.

Every resource keeps, for each draw, the times at which its servers are free again; who comes is served by the server
that is free first (the recursion of Kiefer and Wolfowitz for a queue with several servers). Work is fed in one fixed
order for all draws, so that more of it, or longer work, never ends earlier.

In one draw a task may be ready long after another that is fed later. ``slack`` is how far back of its being ready it
may take its minutes off a server: 0 where nothing waits, and tasks come in the order in which they are ready. Where
tasks wait as the logs showed, without end: such waits hold the queueing already, so that what is left to see to is
that no more work is done than there are hours. Against a simulation draw by draw, with a queue in order of arrival,
that is right to a few per cent; without slack a plan of 38 builds took twice as long (tests/quoting/test_arrival.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from calib.calendar.clock import OpenClock
from calib.errors import NoPlanError
from calib.shop.model import Shop


class Servers:
    """Servers of one kind for all draws; ``free`` has shape (servers, draws), wall minutes."""

    def __init__(self, count: int, draws: int, start: float) -> None:
        self.free = np.full((count, draws), start)

    def earliest(self) -> tuple[np.ndarray, np.ndarray]:
        """Index of the server that is free first, and when, each shape (draws,)."""
        if len(self.free) == 1:
            return np.zeros(self.free.shape[1], int), self.free[0]
        first, soonest = np.zeros(self.free.shape[1], int), self.free[0]
        for place, free in enumerate(self.free[1:], 1):  # few servers: quicker than looking across them for each draw
            np.copyto(first, place, where=free < soonest)
            soonest = np.minimum(soonest, free)
        return first, soonest

    def take(self, server: np.ndarray, until: np.ndarray) -> None:
        """Hold the server until then; both of shape (draws,), until in wall minutes."""
        if len(self.free) == 1:
            self.free[0] = until
        else:
            self.free[server, np.arange(self.free.shape[1])] = until

    def hold(self, server: np.ndarray, begin: np.ndarray, end: np.ndarray, slack: float) -> None:
        """Take a server from ``begin`` to ``end``, after whoever holds it already.

        server, begin, end : shape (draws,), times in wall minutes; slack : see above [min]
        """
        held = self.free[0] if len(self.free) == 1 else self.free[server, np.arange(self.free.shape[1])]
        self.take(server, (held if slack == np.inf else np.maximum(held, begin - slack)) + (end - begin))


class Crew:
    """People who can do the same, for all draws; ``free`` holds when they are free, the first first.

    clock : of the hours in which they are there; free is in its open minutes
    """

    def __init__(self, size: int, draws: int, start: float, clock: OpenClock) -> None:
        self.clock = clock
        self.free = [np.full(draws, float(clock.open_at(start))) for _ in range(size)]

    def work(self, ready: np.ndarray, minutes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Start and end [wall min] of work that it would do next, and the open time from which it could be done.

        ready, minutes : shape (draws,) [wall min, min]
        """
        return self.clock.work_from(ready, self.free[0], minutes)

    def serve(self, ready: np.ndarray, minutes: np.ndarray, slack: float) -> None:
        """Who was free first does it.

        ready, minutes : shape (draws,) [open min, min]
        """
        busy = (self.free[0] if slack == np.inf else np.maximum(self.free[0], ready - slack)) + minutes
        for place in range(1, len(self.free)):
            self.free[place - 1] = np.minimum(self.free[place], busy)
            busy = np.maximum(self.free[place], busy)
        self.free[-1] = busy


Held = tuple[
    float, str, np.ndarray, np.ndarray
]  # place in the order of tasks, stage, from when, and how long or until when


def _in_shifts(crews: Sequence[Crew]) -> bool:
    """Whether they come in different hours."""
    return any(crew.clock is not crews[0].clock for crew in crews)


class People:
    """Crews of the shop; a shop that names none has as many people as are wanted. ``held``: what they were at, in order."""

    def __init__(self, shop: Shop, clock: OpenClock, draws: int, start: float) -> None:
        self.clock, self.slack, self.task_time, self.held, self.start = clock, 0.0, 0.0, list[Held](), start
        clocks = {shop.attended: clock}
        for crew in shop.crews.values():
            shift = shop.hours if crew.hours is None else crew.hours
            clocks.setdefault(shift, OpenClock(shift, shop.closures, shop.timezone))
        self._crews = [
            (crew.stages, Crew(crew.size, draws, start, clocks[shop.hours if crew.hours is None else crew.hours]))
            for crew in shop.crews.values()
        ]

    def work(
        self, stage: str, ready: np.ndarray, minutes: np.ndarray, wait: np.ndarray | float = 0.0
    ) -> tuple[np.ndarray, np.ndarray]:
        """Start and end of work with hands on, in opening hours, when somebody who can do it is free and has come.

        wait : open minutes after ``ready`` before anybody comes
        ready, minutes : shape (draws,) [wall min, min]
        """
        if not self._crews:
            return self.clock.work_from(ready, -np.inf, minutes, wait)[:2]
        crews = self.able(stage)
        if _in_shifts(crews):
            ready = self.clock.after(ready, wait)
            ends = [crew.work(ready, minutes) for crew in crews]
            starts = np.array([start for start, _, _ in ends])
            first = np.array([end for _, end, _ in ends]).argmin(axis=0)
            start, end = starts[first, np.arange(len(first))], np.min([end for _, end, _ in ends], axis=0)
        else:
            free = np.minimum.reduce([crew.free[0] for crew in crews]) if len(crews) > 1 else crews[0].free[0]
            start, end, ready = crews[0].clock.work_from(ready, free, minutes, wait)
        self.hold_next(stage, ready, minutes)
        return start, end

    def hold_next(self, stage: str, ready: np.ndarray, minutes: np.ndarray) -> None:
        """Who can do a stage and is free first, or of crews in shifts is done first, is at it for so many minutes.

        ready : open min; of crews in shifts wall min
        minutes : shape (draws,) [min]
        """
        self.held.append((self.task_time, stage, ready, minutes))
        crews = self.able(stage)
        if len(crews) == 1:
            crews[0].serve(ready, minutes, self.slack)
            return
        if _in_shifts(crews):
            _, when, opened = zip(*[crew.work(ready, minutes) for crew in crews], strict=True)
        else:
            when, opened = [crew.free[0] for crew in crews], [ready] * len(crews)
        first, served = np.minimum.reduce(when), np.zeros(len(minutes), bool)
        for crew, own, begin in zip(crews, when, opened, strict=True):
            mine = (own <= first) & ~served
            crew.serve(np.where(mine, begin, -np.inf), np.where(mine, minutes, 0.0), self.slack)
            served |= mine

    def hold_still(self, stage: str, ready: np.ndarray, minutes: np.ndarray) -> None:
        """As ``hold_next``, of work that may have begun before the start: it is done by then."""
        crews = self.able(stage)
        since = self.start if _in_shifts(crews) else float(crews[0].clock.open_at(self.start))
        self.hold_next(stage, ready, np.where(ready < since, 0.0, minutes))

    def clocks(self, stage: str) -> list[OpenClock]:
        """Hours of those who can do a stage."""
        return [crew.clock for crew in self.able(stage)] if self._crews else [self.clock]

    def able(self, stage: str) -> list[Crew]:
        """Who can do a stage. Raises NoPlanError when nobody can."""
        able = [crew for stages, crew in self._crews if not stages or stage in stages]
        if not able:
            raise NoPlanError(
                f'No crew of the shop does "{stage}".', "Add the stage to a crew's stages in the shop file."
            )
        return able


class Stations:
    """Stations by stage: a run holds one place from start to end; a stage without a station has room enough.

    held : what they were taken for, in order
    """

    def __init__(self, shop: Shop, draws: int, start: float) -> None:
        self._of_stage: dict[str, Servers] = {}
        self.start = start
        self.slack, self.task_time, self.held = 0.0, 0.0, list[Held]()
        for station in shop.stations.values():
            servers = Servers(max(1, station.places), draws, start)
            for stage in station.stages:
                joined = self._of_stage.get(stage)
                self._of_stage[stage] = servers if joined is None else _joined(joined, servers)

    def __contains__(self, stage: str) -> bool:
        return stage in self._of_stage

    def earliest(self, stage: str) -> tuple[np.ndarray, np.ndarray] | None:
        """Index of the place that is free first, and when, each shape (draws,) [wall min]; None: room enough."""
        return self._of_stage[stage].earliest() if stage in self._of_stage else None

    def hold_next(self, stage: str, begin: np.ndarray, end: np.ndarray) -> None:
        """The place that is free first is taken.

        begin, end : shape (draws,) [wall min]
        """
        self.hold(stage, self._of_stage[stage].earliest()[0], begin, end)

    def hold_still(self, stage: str, begin: np.ndarray, end: np.ndarray) -> None:
        """As ``hold_next``, from the start on."""
        self.hold_next(stage, np.maximum(begin, self.start), np.maximum(end, self.start))

    def hold(self, stage: str, place: np.ndarray, begin: np.ndarray, end: np.ndarray) -> None:
        """Take a place, an index of shape (draws,), from begin to end, shape (draws,) [wall min]."""
        self.held.append((self.task_time, stage, begin, end))
        self._of_stage[stage].hold(place, begin, end, self.slack)


def _joined(first: Servers, second: Servers) -> Servers:
    joined = Servers(0, first.free.shape[1], 0.0)
    joined.free = np.concatenate([first.free, second.free])
    return joined


def check_people(shop: Shop, stages: Iterable[str]) -> str:
    """Why the shop's people cannot do these stages, or ''."""
    if not shop.crews:
        return ""
    for stage in stages:
        if not any(not crew.stages or stage in crew.stages for crew in shop.crews.values()):
            return f'no crew does "{stage}": add it to a crew\'s stages in the shop file'
    return ""
