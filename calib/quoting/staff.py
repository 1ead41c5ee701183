"""Waiting by formula, and waiting for people: what of the learned waits it is, and how it changes with the crews."""

from __future__ import annotations

import heapq
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from calib.calendar.week import Hours
from calib.errors import OutsideModelError
from calib.shop.model import Crew, Shop


@dataclass(frozen=True)
class Queueing:
    """Long-run means of a queue; times in the unit of 1 / rate.

    load : share of the servers' time that is used [-]; none_waiting : chance that who comes is served at once [-]
    waiting, present : customers that wait, and that wait or are served [-]; wait, stay : time of these
    """

    load: float
    none_waiting: float
    waiting: float
    present: float
    wait: float
    stay: float


def erlang_b(offered: float, servers: int) -> float:
    r"""Chance that all servers are busy when nobody waits (Erlang's loss formula, by its recursion).

    .. math::  B_0 = 1, \quad B_k = a B_{k-1} / (k + a B_{k-1})

    offered : arrival rate over service rate, >= 0 [-]

    >>> round(erlang_b(5.0, 7), 6)
    0.120519
    """
    blocked = 1.0
    for k in range(1, servers + 1):
        blocked = offered * blocked / (k + offered * blocked)
    return blocked


def erlang_c(offered: float, servers: int) -> float:
    r"""Chance that who comes has to wait (Erlang's delay formula): C = B / (1 - (a/c)(1 - B)).

    Raises OutsideModelError where the load is 1 or more: then the queue grows without end.

    >>> round(erlang_c(5.0, 7), 6)
    0.32415
    """
    _steady(offered / servers)
    blocked = erlang_b(offered, servers)
    return blocked / (1 - offered / servers * (1 - blocked))


def several_servers(arrivals: float, services: float, servers: int = 1) -> Queueing:
    """Random arrivals, exponential service, ``servers`` alike (M/M/c); rates in one unit.

    >>> round(several_servers(24, 30).present, 9), round(several_servers(24, 30).stay * 60, 9)
    (4.0, 10.0)
    """
    offered = arrivals / services
    must_wait = erlang_c(offered, servers)
    wait = must_wait / (servers * services - arrivals)
    stay = wait + 1 / services
    return Queueing(offered / servers, 1 - must_wait, arrivals * wait, arrivals * stay, wait, stay)


def _steady(load: float) -> None:
    if load >= 1:
        raise OutsideModelError(
            f"A load of {load:.0%} has no steady state: the queue grows without end.",
            "Add a machine, a person or opening hours, or take less work.",
        )


WEEK_H = 7 * 24.0
FULL = (
    0.95  # of people's hours: more work than that is in no log, for it was done by more people than the shop file names
)
MOST_TIMES = 10.0  # that waiting for people grows when some go: beyond it the formula's steady queue is never reached


@dataclass(frozen=True)
class Staff:
    """What the logs say of waiting for people.

    share : of the learned waits that would not be, were somebody always free (``waited_anyway``) [0..1]
    people : how many were there then on the mean (``people_there``); 0: as many as wanted
    work : hours of hands in an hour in which somebody was there
    hours : that people were there in a week, added up; 0: not known
    """

    share: float = 0.0
    people: int = 0
    work: float = 0.0
    hours: float = 0.0

    def times(self, shop: Shop) -> float:
        """Learned waits with the shop's people of today over those with the people of the logs.

        What waits for people is mostly what the night left for the morning: as many again clear it in half the time. With
        fewer, work may also come faster than it is done: as M/M/c says, where that is more.
        """
        if not self.people or not self.share:
            return 1.0
        attended, today = week_hours(shop.attended), people_there(shop)
        hours = self.hours or self.people * attended
        if not today:
            return 1.0 - self.share
        times, work = hours / person_hours(shop), min(self.work, FULL * self.people)
        if times > 1 and work > 0:
            times = max(times, _wait(work * hours / self.people / attended, today) / _wait(work, self.people))
        return 1.0 - self.share + self.share * min(times, MOST_TIMES)


NOBODY_COUNTED = Staff()


def people_of(shop: Shop) -> int:
    return sum(crew.size for crew in shop.crews.values())


def people_there(shop: Shop) -> int:
    """How many are there on the mean, of the hours in which somebody is; at least one where the shop names any."""
    return max(round(person_hours(shop) / week_hours(shop.attended)), min(people_of(shop), 1))


def person_hours(shop: Shop) -> float:
    """Hours that people are there in a week, added up."""
    return sum(crew.size * crew_hours(crew, shop) for crew in shop.crews.values())


def crew_hours(crew: Crew, shop: Shop) -> float:
    """Hours of a week in which a crew is there."""
    return week_hours(shop.hours if crew.hours is None else crew.hours)


def week_hours(hours: Hours | None) -> float:
    """Hours of a week's spans."""
    return WEEK_H if hours is None else sum(end - begin for spans in hours for begin, end in spans) / 60


def _wait(work: float, people: int) -> float:
    """Mean wait in lengths of a task; without end where there is more work than people can do."""
    return several_servers(work, 1.0, people).wait if work < people else np.inf


AT_ONCE_MIN = 1.0  # who begins so soon after coming free begins as soon as they can
STEPS = 60  # of an iteration that leaves a part of its error each time, the smaller the more starts are seen


def waited_anyway(wait: np.ndarray, nobody_free: np.ndarray) -> float:
    r"""Mean wait that would be left if somebody were always free: until it is seen that work can go on.

    Work that begins when somebody comes free was seen at some time before, nobody knows when; other work was seen when it
    began. Times until then are taken as exponential, with their mean by maximum likelihood (EM: Dempster, Laird and Rubin,
    Journal of the Royal Statistical Society B 39 (1977) 1-38, from memory):

    .. math::  m = \frac{1}{n} \Big( \sum_{seen} w + \sum_{not\ seen} \big( m - \frac{p}{e^{p/m} - 1} \big) \Big)

    wait : w, of each run; nobody_free : p, the first part of it, in which nobody was free; shape (runs,) >= 0 [min]

    >>> waited_anyway(np.array([10.0, 30.0, 20.0]), np.zeros(3))
    20.0
    >>> m = waited_anyway(np.array([10.0, 20.0]), np.array([0.0, 20.0]))
    >>> bool(np.isclose(m, 10 - 20 / np.expm1(20 / m)))
    True
    """
    not_seen = (nobody_free > 0) & (wait - nobody_free < AT_ONCE_MIN)
    seen, hidden, mean = wait[~not_seen].sum(), nobody_free[not_seen], float(wait.mean())
    for _ in range(STEPS):
        if mean < 1e-6:
            return 0.0
        mean = float(seen + np.sum(mean - hidden / np.expm1(np.minimum(hidden / mean, 700.0)))) / len(wait)
    return mean


def came_free(ended: Iterable[float], people: int) -> np.ndarray:
    """When the first of so many people was free of all runs that began before; runs by hand in order of their start.

    Returns shape (runs,), in the unit of ``ended``.

    >>> came_free([10, 4, 8, 12], 2).tolist()
    [-inf, -inf, 4.0, 8.0]
    """
    last: list[float] = [-np.inf] * people  # ends of the runs that they are at, or were last
    free = []
    for end in ended:
        free.append(heapq.heapreplace(last, max(end, last[0])))
    return np.array(free, float)
