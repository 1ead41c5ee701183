"""Two plans of one order side by side, draw by draw: today's shop, and the shop with a change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from calib.calendar.week import WEEKDAYS
from calib.documents.shop import Best, Gain, Side, WhatIfOption
from calib.quoting.plan import Planned
from calib.quoting.ranges import value_range
from calib.records import hands_of
from calib.safety import FOLLOW, cautions, cautions_by_text
from calib.shop.model import Shop

SAME_MIN = 1.0  # a date that moves by less has not moved


def compared(today: Sequence[Planned], changed: Sequence[Planned]) -> list[WhatIfOption]:
    """Options of both shops, soonest of the changed one first; those that only one of them has too.

    Machines that share the builds stand here where both plans have them share, or where one shop lacks some of them.

    Each: process, machine, ride_along, ``today`` and ``changed`` (lead_time_h, touch_min; null where it is no option),
    ``sooner_h`` (range of what is gained, draw by draw; negative: lost), ``chance_sooner``, ``chance_later`` [0..1];
    these three are null where one of both is.
    """
    before = {_name(plan): plan for plan in today}
    after = {_name(plan): plan for plan in changed}
    names = [*after, *(name for name in before if name not in after)]
    return [
        _pair(name, before.get(name), after.get(name))
        for name in names
        if (name in before or not _could_share(name, before)) and (name in after or not _could_share(name, after))
    ]


def _could_share(name: tuple[str, str, bool], others: Mapping[tuple[str, str, bool], Planned]) -> bool:
    """Whether a group of machines is an option of the others too, only not one worth planning."""
    machines = name[1].split("+")
    return len(machines) > 1 and all((name[0], machine, False) in others for machine in machines)


def soonest_pair(today: Sequence[Planned], changed: Sequence[Planned]) -> Best:
    """The soonest option of each shop, and what the change gains between them; as ``compared`` has it."""
    pair = _pair(("", "", False), today[0] if today else None, changed[0] if changed else None)
    for side, plans in ((pair["today"], today), (pair["changed"], changed)):
        if side is not None:
            side |= {"process": plans[0].option.process, "machine": plans[0].option.name}
    return {
        "today": pair["today"],
        "changed": pair["changed"],
        "sooner_h": pair["sooner_h"],
        "chance_sooner": pair["chance_sooner"],
        "chance_later": pair["chance_later"],
    }


def _name(planned: Planned) -> tuple[str, str, bool]:
    return planned.option.process, planned.option.name, planned.option.in_shared_build


def _pair(name: tuple[str, str, bool], today: Planned | None, changed: Planned | None) -> WhatIfOption:
    gained = None if today is None or changed is None else gained_min(today.ready, changed.ready)
    return {
        "process": name[0],
        "machine": name[1],
        "ride_along": name[2],
        "today": _side(today),
        "changed": _side(changed),
        **gain_document(gained),
    }


def gained_min(today: np.ndarray, changed: np.ndarray) -> np.ndarray:
    """What a change gains, draw by draw, from wall times with the same random numbers, shape (draws,) [min]."""
    draws = min(len(today), len(changed))
    return np.asarray(today[:draws] - changed[:draws])


def gain_document(gained: np.ndarray | None) -> Gain:
    """The range of what is gained, and how surely; nulls where there is nothing to compare.

    gained : shape (draws,) [min]
    """
    if gained is None:
        return {"sooner_h": None, "chance_sooner": None, "chance_later": None}
    return {
        "sooner_h": value_range(gained, 1 / 60),
        "chance_sooner": round(float(np.mean(gained > SAME_MIN)), 4),
        "chance_later": round(float(np.mean(gained < -SAME_MIN)), 4),
    }


def _side(planned: Planned | None) -> Side | None:
    if planned is None:
        return None
    start = planned.start
    return {
        "lead_time_h": value_range(planned.ready - start, 1 / 60),
        "touch_min": value_range(planned.work.touch.sum(axis=0)),
        "builds": len(planned.option.builds),
    }


def on_site(today: Shop, changed: Shop, stages: Sequence[tuple[str, str]]) -> list[str]:
    """Who must be on site because of the change, and what to take care of in what they will do, one sentence each.

    stages : process and stage of the routes of the order
    """
    sentences = []
    longer = _longer_hours(today, changed)
    if longer:
        who = _who(changed, [stage for _, stage in stages])
        sentences.append(f"Open longer on {longer}: {who}. Nobody works there alone with what follows.")
        sentences += _cautions(stages, changed)
    new = _new_processes(today, changed)
    if new:
        sentences.append(f"{', '.join(new)} would be new here: trained people, and what follows, come first.")
        sentences += [] if longer else _cautions([pair for pair in stages if pair[0] in new], changed)
    for process, machines in _alone(today, changed).items():
        sentences.append(
            f"{', '.join(machines)} would print with nobody there. {' '.join(cautions(process, 'printing'))}"
        )
    return [*sentences, FOLLOW] if sentences else []


def _new_processes(today: Shop, changed: Shop) -> list[str]:
    known = {machine.process for machine in today.machines.values() if machine.owned}
    return sorted({machine.process for machine in changed.machines.values()} - known)


def _alone(today: Shop, changed: Shop) -> dict[str, list[str]]:
    """Process -> machines that run with nobody there, and did not."""
    machines: dict[str, list[str]] = {}
    for name, machine in changed.machines.items():
        if machine.lights_out and not (name in today.machines and today.machines[name].lights_out):
            machines.setdefault(machine.process, []).append(name)
    return machines


def _longer_hours(today: Shop, changed: Shop) -> str:
    """Days on which the change has the shop, or a crew with hours of its own, work at times at which nobody did."""
    if today.hours is None:
        return ""
    days = []
    for day, name in enumerate(WEEKDAYS):
        known = _minutes(_spans(today, day))
        new = [span for span in _spans(changed, day) if _minutes([span]) - known]
        days += [f"{name} {', '.join(f'{_clock(a)}-{_clock(b)}' for a, b in new)}"] if new else []
    return "; ".join(days)


def _spans(shop: Shop, day: int) -> list[tuple[int, int]]:
    """When anybody works on a day of the week, as the shop or a crew has it."""
    weeks = [((((0, 1440),),) * 7) if shop.hours is None else shop.hours]
    weeks += [crew.hours for crew in shop.crews.values() if crew.hours is not None]
    return sorted({span for week in weeks for span in week[day]})


def _minutes(spans: Sequence[tuple[int, int]]) -> set[int]:
    return {minute for begin, end in spans for minute in range(begin, end)}


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _who(shop: Shop, stages: Sequence[str]) -> str:
    """Crews that can do the stages that hands are needed for."""
    by_hand = [stage for stage in stages if hands_of(stage) != "none"]
    named = [
        f"{crew.id} ({crew.size})" for crew in shop.crews.values() if not crew.stages or set(crew.stages) & set(by_hand)
    ]
    return f"on site must be people of {', '.join(named)}" if named else "somebody trained must be on site"


def _cautions(stages: Sequence[tuple[str, str]], shop: Shop) -> list[str]:
    """What to take care of, by process, each text once."""
    return [
        f"{process} {', '.join(named).replace('_', ' ')}: {text}"
        for process in dict.fromkeys(process for process, _ in stages)
        for text, named in cautions_by_text(process, [s for p, s in stages if p == process], shop.cautions).items()
    ]
