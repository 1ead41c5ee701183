"""What can hurt someone, as data: cautions by process and stage, stages that a hazard needs, and their order.

Common practice of the trade; a data sheet, a maker's manual or a local code that says more counts before it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from calib.records import PROCESSES, STAGES, hands_of

FOLLOW = "Follow the safety data sheets, the makers' manuals and local codes; licensed work is for licensed people."

# One line for each process, where there is room for no more.
IN_SHORT = {
    "MEX": "hot nozzle and bed, fumes, fire",
    "VPP": "uncured resin, solvent vapour, UV light",
    "PBF": "combustible dust, hot core, laser, inert gas",
}

_HOT_HEAD = "Hot nozzle and bed, sharp blades: let them cool or wear gloves, and cut away from the hand."
_RESIN = (
    "Uncured resin and solvent: gloves and eye protection (sensitiser); solvent vapour, no ignition source; UV covers stay "
    "shut; dry before heated curing; look for resin trapped in hollows; only cured waste leaves."
)
_CAUSTIC_BATH = "Hot caustic bath: eye protection and gloves; no aluminium inserts (hydrogen)."
_DUST = "Fine polymer powder is a combustible dust: earthing, rated extraction only, respirator."
_DUST_AND_HEAT = "Combustible dust, hot surfaces and inert gas: earthing, rated extraction only, respirator, oxygen alarm; let it cool."
_ANY = tuple(PROCESSES)

# Processes, stages, what to take care of; each text once.
CAUTIONS: tuple[tuple[tuple[str, ...], tuple[str, ...], str], ...] = (
    (("MEX",), ("material_drying", "drying"), "Below the material's temperature limit, never in a food oven."),
    (("MEX",), ("machine_setup", "cool_down", "unloading", "machine_cleaning"), _HOT_HEAD),
    (("MEX",), ("warm_up", "printing"),
     "Hot nozzle and bed, fumes, fire: ventilation; unattended only where the shop says so."),
    (("MEX",), ("support_removal",), "Sharp tools and splinters: eye protection; cut away from the hand."),
    (("MEX",), ("support_dissolving",), _CAUSTIC_BATH),
    (("MEX",), ("rinsing",), "Hot caustic carried over from the bath: eye protection and gloves."),
    (("VPP",), ("warm_up", "printing"),
     "UV light and uncured resin: interlocks and covers are never defeated; fumes: ventilation; fire: unattended only "
     "where the shop says so."),
    (("VPP",), ("machine_setup", "unloading", "machine_cleaning", "draining", "washing", "drying"), _RESIN),
    (("VPP",), ("support_removal",),
     "Sharp tools and splinters: eye protection; where it comes before curing: gloves, the resin is not cured."),
    (("VPP",), ("post_curing",),
     "UV light: interlock, eyes and skin covered; ventilation; dry before heated curing; gloves until it is cured."),
    (("PBF",), ("powder_prep", "part_cleaning", "powder_recovery", "blasting"), _DUST),
    (("PBF",), ("machine_setup", "unloading", "machine_cleaning"), _DUST_AND_HEAT),
    (("PBF",), ("warm_up", "printing"),
     "Laser interlocks are never defeated; inert gas: oxygen alarm; hot chamber, fire: unattended only where the shop "
     "says so."),
    (("PBF",), ("cool_down",),
     "The core must be below the data sheet's limit before opening; inert gas: oxygen alarm."),
    (("PBF",), ("breakout",), f"Core below the data sheet's limit first; inert gas: oxygen alarm. {_DUST}"),
    (("MEX", "VPP"), ("blasting",), "Dust: closed cabinet, extraction and respirator; resin parts only when cured."),
    (_ANY, ("sanding",), "Dust: extraction and respirator; never sand uncured resin."),
    (_ANY, ("annealing",), "Hot parts; below the material's temperature limit, never in a food oven."),
    (_ANY, ("colouring",), "Solvent and heat: gloves and eye protection, ventilation, no ignition source."),
    (_ANY, ("assembly",), "Adhesives, heat and sharp tools: gloves, ventilation."),
)  # fmt: skip
_BY_PLACE = {(process, stage): text for own, stages, text in CAUTIONS for process in own for stage in stages}
NOT_STATED = (
    "A stage of the shop's own without a caution: ask what can hurt there, and state it (caution in its rates)."
)


def cautions(process: str, stage: str, own: Mapping[str, str] | None = None) -> tuple[str, ...]:
    """What to take care of at a stage of a process, each text one line; () where nothing is known to hurt.

    own : cautions of the shop's own stages, as its shop file states them; one that states none says so

    >>> cautions("MEX", "printing")
    ('Hot nozzle and bed, fumes, fire: ventilation; unattended only where the shop says so.',)
    >>> cautions("PBF", "packing"), cautions("MEX", "vapour_smoothing", {"vapour_smoothing": "Flammable vapour."})
    ((), ('Flammable vapour.',))
    """
    stated = (own or {}).get(stage, "")
    known = _BY_PLACE.get((process, stage), "") or _elsewhere(stage)
    if stage not in STAGES and not stated:
        return (NOT_STATED,)
    return tuple(text for text in (known, stated) if text)


def _elsewhere(stage: str) -> str:
    """Of a stage on a process that the table does not give it: what it is elsewhere."""
    return next((text for (_, name), text in _BY_PLACE.items() if name == stage), "")


def in_short(processes: Iterable[str]) -> str:
    """One line for several processes, and where the rest stands.

    >>> in_short(["VPP"])
    'Take care, VPP: uncured resin, solvent vapour, UV light. At each stage: the internal copy and the bench card.'
    """
    return f"{take_care(processes)} At each stage: the internal copy and the bench card."


def take_care(processes: Iterable[str]) -> str:
    """The words that matter, in one sentence."""
    named = [code for one in processes for code in one.split("+")]
    known = "; ".join(f"{code}: {IN_SHORT[code]}" for code in dict.fromkeys(named) if code in IN_SHORT)
    return f"Take care, {known}."


def cautions_by_text(process: str, stages: Iterable[str], own: Mapping[str, str] | None = None) -> dict[str, list[str]]:
    """Each caution of these stages once, with the stages that it is for, in their order."""
    stages_of: dict[str, list[str]] = {}
    for stage in dict.fromkeys(stages):
        for text in cautions(process, stage, own):
            stages_of.setdefault(text, []).append(stage)
    return stages_of


def cautions_of_all(own: Mapping[str, str] | None = None) -> list[tuple[tuple[str, ...], tuple[str, ...], str]]:
    """Processes, stages, text: the trade's, then those of the shop's own stages, which have no process."""
    return [*CAUTIONS, *(((), (stage,), text) for stage, text in (own or {}).items())]


NO_FLOOR = "no least time known for"  # in each sentence on a least time that nobody has stated: no answer leaves it out

# --- stages that a hazard needs, and their order ----------------------------------------------------------------------

BEFORE_PRINTING = ("design_adaptation", "file_prep", "material_drying", "powder_prep", "machine_setup", "warm_up")
# Powder is not opened hot; resin does not leave unwashed or uncured, nor is it cured wet.
NEEDED: dict[str, tuple[str, ...]] = {"MEX": (), "VPP": ("washing", "drying", "post_curing"), "PBF": ("cool_down",)}
NEEDED_AFTER = {"support_dissolving": ("rinsing",)}  # nobody handles parts wet with caustic
_FINISHING = ("blasting", "sanding", "annealing", "colouring", "assembly", "packing")
# Process -> (a stage, what may not begin before it is done).
FIRST_THEN: dict[str, tuple[tuple[str, tuple[str, ...]], ...]] = {
    "MEX": (
        ("cool_down", ("unloading",)),
        ("support_dissolving", ("rinsing",)),
        ("rinsing", ("drying", "inspection", *_FINISHING)),
    ),
    "VPP": (
        ("draining", ("drying", "post_curing")),
        ("washing", ("drying", "post_curing")),
        ("drying", ("post_curing",)),
        ("post_curing", _FINISHING),
    ),
    "PBF": (),  # after cool_down every stage that has hands in it: see out_of_order
}


def missing_stages(process: str, route: Iterable[str]) -> list[str]:
    """Stages that a hazard needs and the route lacks.

    >>> missing_stages("VPP", ["printing", "washing"]), missing_stages("MEX", ["printing", "support_dissolving"])
    (['drying', 'post_curing'], ['rinsing'])
    """
    held = set(route)
    needed = [*NEEDED[process], *(then for stage in held & NEEDED_AFTER.keys() for then in NEEDED_AFTER[stage])]
    return [stage for stage in needed if stage not in held]


def out_of_order(process: str, route: Sequence[str]) -> list[tuple[str, str]]:
    """Pairs (first, then) of which the route has the second begin before the first is done.

    >>> out_of_order("PBF", ["printing", "breakout", "cool_down"]), out_of_order("VPP", ["washing", "printing"])
    ([('cool_down', 'breakout')], [('printing', 'washing')])
    """
    begins = {stage: place for place, stage in reversed(list(enumerate(route)))}
    ends = {stage: place for place, stage in enumerate(route)}
    return [
        (first, then)
        for first, then in _pairs(process, route)
        if first in ends and then in begins and ends[first] > begins[then]
    ]


def _pairs(process: str, route: Sequence[str]) -> Iterator[tuple[str, str]]:
    after = [stage for stage in STAGES if stage not in BEFORE_PRINTING and stage != "printing"]
    yield from (("printing", stage) for stage in after)
    yield from ((first, then) for first, thens in FIRST_THEN[process] for then in thens)
    if process == "PBF" and "printing" in route:
        behind = route[route.index("printing") + 1 :]
        yield from (("cool_down", stage) for stage in behind if hands_of(stage) != "none")
