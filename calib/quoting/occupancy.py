"""What builds hold on their way through a shop, in its own calendar, and which resource they wait for most."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from calib.documents.shop import Load
from calib.quoting.flow import Flow, with_waits
from calib.quoting.schedule import Run
from calib.quoting.staff import WEEK_H, Staff, crew_hours, several_servers
from calib.shop.model import Crew, Station

LOOKED_AT = 8  # of the fullest resources it is asked what waiting for them costs


def occupied(flow: Flow, weeks: float, staff: Staff, closely: bool = True) -> list[Load]:
    """Resources by what waiting for them costs, the bottleneck first, then by load.

    weeks : over which the builds came in, > 0; closely : also run the builds without each of the fullest resources

    Returns for each: resource, kind, servers, hours_there and hours_used a week, load (hours_used over hours_there),
    running_h, waiting_h (a machine that waits to be emptied, or between its stages, for somebody to come) and idle_h a
    week, ``sooner_h`` (how much sooner a build is done on the mean where nothing waits for it: null where it was not
    asked), wait_h and wait_h_one_more (mean wait by the M/M/c formula as a check: null at a load of 1 or more).
    Machines and stations count all hours of the week, people their hours.
    """
    shop = flow.shop
    rows = [
        *(_row(machine, "machine", 1, WEEK_H, weeks, *_machine(flow, machine)) for machine in shop.machines),
        *(
            _row(station.id, "station", station.places, WEEK_H, weeks, *_station(flow, station))
            for station in shop.stations.values()
        ),
        *(
            _row(crew.id, "crew", crew.size, crew_hours(crew, shop), weeks, *_crew(flow, crew))
            for crew in shop.crews.values()
        ),
    ]
    rows.sort(key=lambda row: -row["load"])
    if closely:
        for row in [row for row in rows if row["load"] > 0][:LOOKED_AT]:
            without = WITHOUT[row["kind"]](flow, row["resource"], staff)
            gained = (flow.turnaround_min - without.turnaround_min).mean() / 60
            row["sooner_h"] = round(max(float(gained), 0.0), 2)
    return sorted(rows, key=lambda row: (-(row["sooner_h"] or 0.0), -row["load"]))


def _row(name: str, kind: str, servers: int, hours: float, weeks: float, used: np.ndarray, running: float) -> Load:
    """used : minutes of each run; running : those of them in which the machine worked"""
    used_h, running_h, there_h = used.sum() / 60 / weeks, running / 60 / weeks, servers * hours
    return {
        "resource": name,
        "kind": kind,
        "servers": servers,
        "hours_there": there_h,
        "hours_used": round(used_h, 3),
        "running_h": round(running_h, 3),
        "waiting_h": round(max(used_h - running_h, 0.0), 3),
        "idle_h": round(max(there_h - used_h, 0.0), 3),
        "load": round(used_h / there_h, 4) if there_h else float("inf"),
        "sooner_h": None,
        "wait_h": wait_h(used_h, len(used) / weeks, servers, hours),
        "wait_h_one_more": wait_h(used_h, len(used) / weeks, servers + 1, hours),
    }


def wait_h(used_h: float, runs: float, servers: int, hours: float) -> float | None:
    """Mean wait for one of several servers by the M/M/c formula; None where work piles up. used_h, runs : a week"""
    if runs == 0 or used_h == 0:
        return 0.0
    if used_h >= servers * hours:
        return None
    return round(several_servers(runs / hours, runs / used_h, servers).wait, 3)


def _machine(flow: Flow, machine: str) -> tuple[np.ndarray, float]:
    """Minutes that each build had the machine, and those in which it was worked at or ran."""
    had = np.array([flow.had_machine(job) for job in flow.looked_at if job.machine == machine]).reshape(-1, 2)
    return had[had[:, 0] > 0, 0], float(had[:, 1].sum())


def _station(flow: Flow, station: Station) -> tuple[np.ndarray, float]:
    runs: dict[tuple[str, str], list[Run]] = {}
    for run in _runs(flow):
        if run.stage in station.stages:
            runs.setdefault((run.job, run.stage), []).append(run)
    held = [float((own[-1].end - own[0].start).mean()) for own in runs.values()]
    return np.array(held), sum(flow.worked(run) for own in runs.values() for run in own)


def _runs(flow: Flow) -> list[Run]:
    return [run for job in flow.looked_at for run in flow.by_job[job.name]]


def _crew(flow: Flow, crew: Crew) -> tuple[np.ndarray, float]:
    """Work by hand that falls to a crew: what several can do is theirs by their sizes and hours."""
    worked, hours = [], {other.id: other.size * crew_hours(other, flow.shop) for other in flow.shop.crews.values()}
    for run in _runs(flow):
        able = [other for other in flow.shop.crews.values() if not other.stages or run.stage in other.stages]
        if run.lane == "hands" and crew in able:
            worked.append(flow.worked(run) * hours[crew.id] / sum(hours[other.id] for other in able))
    return np.array(worked), float(sum(worked))


def _without_machine(flow: Flow, name: str, staff: Staff) -> Flow:
    return flow.again(unlimited=name)


def _without_station(flow: Flow, name: str, staff: Staff) -> Flow:
    stations = {key: station for key, station in flow.shop.stations.items() if key != name}
    return flow.again(replace(flow.shop, stations=stations))


def _without_crew(flow: Flow, name: str, staff: Staff) -> Flow:
    """People that are always there in time: of the waits what is not theirs is left."""
    crews = flow.shop.crews
    part = staff.share * crews[name].size / max(sum(crew.size for crew in crews.values()), 1)
    never = {} if len(crews) == 1 else {**crews, name: replace(crews[name], size=20 * crews[name].size)}
    jobs = with_waits(flow.jobs, 1.0 - part / staff.times(flow.shop))
    return flow.again(replace(flow.shop, crews=never), jobs)


WITHOUT: dict[str, Callable[[Flow, str, Staff], Flow]] = {
    "machine": _without_machine,
    "station": _without_station,
    "crew": _without_crew,
}
