"""What a patch may not change: parameters that a cool-down is computed from; and what its answer rests on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import inf

from calib.shop.check import Problems
from calib.shop.keys import (
    FLOOR_KEYS,
    HOT_PLATE,
    SHORTER_IF_HIGHER,
    SHORTER_IF_LOWER,
    machine_defaults,
    material_defaults,
)
from calib.shop.model import Machine, Material, Shop

REMEDY = "No what-if does that: correct the shop file where the data sheet or a measurement says so"
Things = Mapping[str, Machine | Material]


def check_facts(today: Shop, changed: Shop, problems: Problems) -> None:
    """Facts that shorten a cool-down, a process that is another one, a material that is gone with its least times."""
    kinds: dict[str, tuple[Things, Things]] = {
        "machine": (today.machines, changed.machines),
        "material": (today.materials, changed.materials),
    }
    for kind, (old, new) in kinds.items():
        for name in old.keys() & new.keys():
            _check_pair(f'{kind} "{name}"', (kind,), old[name], new[name], problems)
    for name in sorted(today.materials.keys() - changed.materials.keys()):
        if any(today.materials[name].floors.values()):
            problems.add(("material",), f'material "{name}" goes away with its least times. Leave it, and take it from the '
                         "machines' materials instead.")  # fmt: skip


def _check_pair(
    what: str, path: tuple[str], old: Machine | Material, new: Machine | Material, problems: Problems
) -> None:
    if old.process != new.process:
        problems.add(path, f"{what} is {old.process}, not {new.process}. Give the new one an id of its own.")
        return
    for key, before, after in shorter(_versions(old), _versions(new)):
        problems.add(path, f"{what}, {key}: {after:g} for {before:g} would shorten its cool-down. {REMEDY}.")


def shorter(old: list[Mapping[str, float]], new: list[Mapping[str, float]]) -> Iterator[tuple[str, float, float]]:
    """Facts (key, before, after) that any version of the new one has beyond every version of the old one."""
    for keys, furthest, sign in ((SHORTER_IF_HIGHER, max, 1), (SHORTER_IF_LOWER, min, -1)):
        for key in keys:
            before = furthest(version.get(key, -sign * inf) for version in old)
            after = furthest(version.get(key, -sign * inf) for version in new)
            if sign * (after - before) > 1e-9:
                yield key, before, after


def _versions(item: Machine | Material) -> list[Mapping[str, float]]:
    """Facts of a thing, those from a later day on too; resin has none, and of a hot plate those count that cool it."""
    dated = item.dated if isinstance(item, Machine) else ()
    versions: list[Mapping[str, float]] = [item.params, *({**item.params, **change} for _, change in dated)]
    if item.process != "PBF":
        known = HOT_PLATE if item.process == "MEX" else ()
        return [{name: version[name] for name in known if name in version} for version in versions]
    if isinstance(item, Material):
        versions = [{**version, "cool_to_c": item.floors.get("cool_to_c") or version["open_c"]} for version in versions]
    return versions


def stated_by_patch(today: Shop, changed: Shop) -> list[str]:
    """What a safe answer rests on and only the patch states: limits of new materials, facts beyond the usual."""
    marks = []
    for name in sorted(changed.materials.keys() - today.materials.keys()):
        material = changed.materials[name]
        limits = [f"{key} {value:g}" for key in FLOOR_KEYS if (value := material.floors.get(key)) is not None]
        limits += _beyond(material, material_defaults(material.process))
        marks += _mark(f'material "{name}"', limits or ["no least time"])
    for name in sorted(changed.machines.keys() - today.machines.keys()):
        machine = changed.machines[name]
        marks += _mark(f'machine "{name}"', _beyond(machine, machine_defaults(machine.kind)))
    return marks


def _beyond(item: Machine | Material, usual: Mapping[str, float]) -> list[str]:
    """Facts that make a cool-down shorter than the usual ones."""
    facts = shorter([{"cool_to_c": usual.get("open_c", inf), **usual}], _versions(item))
    return [f"{key} {after:g} (usual {before:g})" for key, before, after in facts if abs(before) < inf]


def _mark(what: str, facts: list[str]) -> list[str]:
    warning = (
        f"LOOK FIRST: only the patch states {', '.join(facts)} of {what}; check it against the data sheet before use."
    )
    return [warning] if facts else []
