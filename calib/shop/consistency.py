"""What the tables of a shop file must agree on: temperatures within reach, polymers, routes without a hazard left out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from calib.records import STAGES
from calib.safety import missing_stages, out_of_order
from calib.shop.check import Problems
from calib.shop.keys import LIMITS_OF_STAGE, MOST_OF_A_POLYMER, NEEDED_FLOORS
from calib.shop.model import Machine, Material
from calib.toml_lines import Path

# what the material asks for, what the machine would reach if heated for ever, and what is heated
HEATED = (
    ("nozzle_c", "nozzle_reach_c", "nozzle"),
    ("bed_c", "bed_reach_c", "bed"),
    ("resin_c", "resin_reach_c", "resin"),
    ("powder_bed_c", "powder_reach_c", "powder bed"),
)
WITHOUT = {
    "washing": "uncured resin stays on the parts",
    "drying": "solvent is cured in, or heated",
    "post_curing": "uncured resin is handed on",
    "cool_down": "the powder is opened hot",
    "rinsing": "parts stay wet with caustic",
}
COOLED = (("release_c", "bed lets the part go"), ("open_c", "core may be opened"))


def check_temperatures(machine: Machine, material: Material, path: Path, problems: Problems) -> None:
    """Every temperature of a material that this machine in its room cannot reach."""
    for wanted, reach, what in HEATED:
        if wanted in material.params and material.params[wanted] >= machine.params.get(reach, float("inf")):
            problems.add(
                (*path, "materials"),
                f'"{material.id}" needs its {what} at {material.params[wanted]:g} degC, and here it ends at '
                f"{machine.params[reach]:g} if heated for ever. Correct {wanted} of the material, or state {reach} of "
                "the machine above it.",
            )
    room = machine.params.get("ambient_c", -273.0)
    limits = {**material.params, "cool_to_c": material.floors.get("cool_to_c")}
    for name, what in (*COOLED, ("cool_to_c", "core may be opened")):
        value = limits.get(name)
        if value is not None and value <= room:
            problems.add(
                (*path, "materials"),
                f'"{material.id}": the {what} below {name} = {value:g} degC, and the room has {room:g}: that is never '
                f"reached. State {name} above the room's temperature (ambient_c of the machine).",
            )


def check_polymer(table: Mapping[str, Any], path: Path, problems: Problems) -> None:
    """Powder beds here are of polymer: a metal's minutes would be wrong by whole stages."""
    for name, most in MOST_OF_A_POLYMER.items():
        value = table.get(name)
        if isinstance(value, int | float) and value > most:
            problems.add(
                (*path, name),
                f"{value:g} is a metal's; a polymer powder has at most {most:g}. PBF is polymer here: plate removal, "
                "stress relief, supports and hot isostatic pressing of metal are not modelled. Leave it out.",
            )


def unknown_floors(materials: Iterable[Material]) -> list[str]:
    """A note for each material without a limit that its process needs: unknown is never zero."""
    notes = []
    for material in materials:
        unknown = [key for key in NEEDED_FLOORS[material.process] if material.floors.get(key) is None]
        if unknown:
            notes.append(f'material "{material.id}": {", ".join(unknown)} unknown; copy them from its data sheet.')
    return notes


def check_route(process: str, route: tuple[str, ...], materials: Iterable[Material], problems: Problems) -> None:
    """A route holds every stage that a hazard or a data sheet needs, and nothing begins before it may."""
    path: Path = ("routes", process)
    own = [material for material in materials if material.process == process]
    for stage, why in _lacking(process, route, own).items():
        problems.add(path, f'"{stage}" is missing: {why}. Add it.')
    for first, then in out_of_order(process, route):
        problems.add(path, f'"{then}" stands before "{first}". Put it behind.')


def _lacking(process: str, route: tuple[str, ...], materials: list[Material]) -> dict[str, str]:
    """Stages that the route lacks, and why they are needed."""
    hazards = {stage: f"without it {WITHOUT[stage]}" for stage in missing_stages(process, route)}
    limited = {
        stage: f'material "{material.id}" states {key}'
        for stage, limits in LIMITS_OF_STAGE.items()
        for key in reversed(limits)
        for material in reversed(materials)
        if material.floors.get(key) and process in STAGES[stage].processes and stage not in route
    }
    return hazards | limited
