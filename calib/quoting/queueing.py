"""Waiting in a queue by formula, for loads that are steady."""

from __future__ import annotations

from dataclasses import dataclass

from calib.errors import OutsideModelError


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


def one_server(arrivals: float, mean_service: float, service_cv: float) -> Queueing:
    r"""Random arrivals, any service time, one server (Pollaczek and Khinchine).

    .. math::  W_q = \frac{\lambda s^2 (1 + cv^2)}{2 (1 - \rho)}

    service_cv : sd of the service time over its mean [-]

    >>> round(one_server(0.8, 1.0, 0.0).wait, 9), round(one_server(0.8, 1.0, 1.0).wait, 9)
    (2.0, 4.0)
    """
    load = arrivals * mean_service
    _steady(load)
    wait = arrivals * mean_service**2 * (1 + service_cv**2) / (2 * (1 - load))
    stay = wait + mean_service
    return Queueing(load, 1 - load, arrivals * wait, arrivals * stay, wait, stay)


def _steady(load: float) -> None:
    if load >= 1:
        raise OutsideModelError(
            f"A load of {load:.0%} has no steady state: the queue grows without end.",
            "Add a machine, a person or opening hours, or take less work.",
        )
