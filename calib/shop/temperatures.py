"""Temperatures that a machine never reaches, or that a room never lets a part fall to."""

from __future__ import annotations

from calib.shop.check import Problems
from calib.shop.model import Machine, Material
from calib.toml_lines import Path

# what the material asks for, what the machine would reach if heated for ever, and what is heated
HEATED = (
    ("nozzle_c", "nozzle_reach_c", "nozzle"),
    ("bed_c", "bed_reach_c", "bed"),
    ("resin_c", "resin_reach_c", "resin"),
    ("powder_bed_c", "powder_reach_c", "powder bed"),
)
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
