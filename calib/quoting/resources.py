"""What work has to wait for: people by skill, machines with chambers, stations with places.

Every resource keeps, for each draw, the times at which its servers are free again; who comes is served by the server
that is free first (the recursion of Kiefer and Wolfowitz for a queue with several servers). Work is fed in one fixed
order, so that more of it, or longer work, never ends earlier.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from calib.errors import NoPlanError
from calib.quoting.clock import OpenClock
from calib.shop.model import Shop


class Servers:
    """Servers of one kind for all draws; ``free`` has shape (servers, draws), wall minutes."""

    def __init__(self, count: int, draws: int, start: float) -> None:
        self.free = np.full((count, draws), start)

    def earliest(self, among: Sequence[int] | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Index of the server that is free first, and when, each shape (draws,)."""
        rows = np.arange(len(self.free)) if among is None else np.asarray(among)
        if len(rows) == 1:
            return np.full(self.free.shape[1], rows[0]), self.free[rows[0]]
        free = self.free[rows]
        first = free.argmin(axis=0)
        return rows[first], free[first, np.arange(free.shape[1])]

    def take(self, server: np.ndarray, until: np.ndarray) -> None:
        self.free[server, np.arange(self.free.shape[1])] = until


class People:
    """Crews of the shop; a shop that names none has as many people as are wanted."""

    def __init__(self, shop: Shop, clock: OpenClock, draws: int, start: float) -> None:
        self.clock, self.shop = clock, shop
        self._can: list[tuple[str, ...]] = [crew.stages for crew in shop.crews.values() for _ in range(crew.size)]
        self._servers = Servers(len(self._can), draws, start) if self._can else None

    def work(self, stage: str, ready: np.ndarray, minutes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Start and end of work with hands on, in opening hours, when somebody who can do it is free."""
        if self._servers is None:
            return self.clock.work(ready, minutes)
        server, free = self._servers.earliest(self.able(stage))
        start, end = self.clock.work(np.maximum(ready, free), minutes)
        self._servers.take(server, end)
        return start, end

    def able(self, stage: str) -> list[int]:
        """Who can do a stage; NoPlanError when nobody can."""
        found = [i for i, stages in enumerate(self._can) if not stages or stage in stages]
        if not found:
            raise NoPlanError(
                f'No crew of the shop does "{stage}".', "Add the stage to a crew's stages in the shop file."
            )
        return found


class Places:
    """Stations by stage: a run holds one place from start to end; a stage without a station has room enough."""

    def __init__(self, shop: Shop, draws: int, start: float) -> None:
        self._of_stage: dict[str, Servers] = {}
        for station in shop.stations.values():
            servers = Servers(max(1, station.places), draws, start)
            for stage in station.stages:
                joined = self._of_stage.get(stage)
                self._of_stage[stage] = servers if joined is None else _joined(joined, servers)

    def earliest(self, stage: str) -> tuple[np.ndarray, np.ndarray] | None:
        return self._of_stage[stage].earliest() if stage in self._of_stage else None

    def take(self, stage: str, place: np.ndarray, until: np.ndarray) -> None:
        """Hold a place until then, or longer where somebody already holds it longer."""
        servers = self._of_stage[stage]
        servers.take(place, np.maximum(servers.free[place, np.arange(len(until))], until))


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
