"""Which limits of a data sheet are known, of a material at a stage."""

from __future__ import annotations

from calib.shop.keys import FLOOR_OF_STAGE, LIMITS_OF_STAGE, NEEDED_FLOORS
from calib.shop.model import Shop

ASKED_FOR = {"MEX": ("rinsing",), "VPP": ("washing", "drying", "post_curing"), "PBF": ("cool_down",)}


def least_time_known(shop: Shop, process: str, material: str, stage: str) -> bool:
    """Whether the least time of a stage is stated, or none is asked for; never for a material that the shop lacks."""
    if stage not in ASKED_FOR.get(process, ()):
        return True
    known = shop.materials.get(material)
    return known is not None and known.process == process and known.floors.get(FLOOR_OF_STAGE[stage]) is not None


def material_of(shop: Shop, material: str, machine: str) -> str:
    """The material, or where none is named the machine's first."""
    if material:
        return material
    own = shop.machines[machine].materials if machine in shop.machines else ()
    return own[0] if own else f"material of {machine}"


def is_limited(shop: Shop, process: str, material: str, stage: str) -> bool:
    """Whether a data sheet limits a stage: always for some, for the rest where the material states it."""
    limits = LIMITS_OF_STAGE.get(stage, ())
    floors = shop.materials[material].floors if material in shop.materials else {}
    return any(key in NEEDED_FLOORS[process] or floors.get(key) is not None for key in limits)
