"""Which stages a build has when the logs do not say."""

from __future__ import annotations

from calib.records import STAGES
from calib.shop.model import Shop

_SUPPORTS = {"MEX": ("support_removal",), "VPP": ("support_removal",), "PBF": ()}


def default_route(process: str, finish: str, material: str, has_supports: bool, shop: Shop) -> tuple[str, ...]:
    """Stages in the order of work: the table's, less what the finish or the material does not need."""
    finish = finish or ("blasted" if process == "PBF" else "supports_off")
    params = shop.materials[material].params if material in shop.materials else {}
    wanted = _wanted(process, finish, has_supports, params)
    return tuple(
        stage
        for stage in shop.routes.get(process, ())
        if stage not in STAGES or stage in wanted or not (STAGES[stage].optional or stage in _conditional(process))
    )


def _conditional(process: str) -> set[str]:
    return {"support_removal", "drying"} if process == "MEX" else {"support_removal"}


def _wanted(process: str, finish: str, has_supports: bool, params: dict[str, float]) -> set[str]:
    wanted = {"drying"} if process == "VPP" else set()
    if params.get("drying_min", 0) > 0:
        wanted.add("material_drying")
    if has_supports and finish != "as_built":
        soluble = process == "MEX" and params.get("soluble_supports", 0) > 0
        wanted |= {"support_dissolving", "rinsing", "drying"} if soluble else set(_SUPPORTS[process])
    if finish in ("blasted", "sanded") and (process == "PBF" or finish == "blasted"):
        wanted.add("blasting")
    if finish == "sanded":
        wanted.add("sanding")
    return wanted
