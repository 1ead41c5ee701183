"""What an option costs by the shop's own rates: machine, person, material with waste, consumables."""

from __future__ import annotations

import numpy as np

from calib.documents.quote import Cost
from calib.quoting.nesting import Build, nested
from calib.quoting.options import Option
from calib.quoting.ranges import value_range
from calib.quoting.schedule import ON_MACHINE
from calib.quoting.work import Work
from calib.shop.model import Shop


def option_cost(work: Work, shop: Shop) -> Cost | None:
    """Range of the whole order's cost and its usual parts; None where the shop states no currency, or no rate or price."""
    if shop.currency is None:
        return None
    fixed = {"material": _material_cost(work, shop), "consumables": _consumables(work, shop)}
    terms = {"machine": _machine_cost(work, shop), "person": _person_cost(work, shop)}
    terms |= {name: np.full(work.minutes.shape[1], cost) for name, cost in fixed.items()}
    total = np.sum(list(terms.values()), axis=0) * (1 + float(shop.costs.get("overhead_share", 0.0)))
    if not total.any():
        return None  # a job that costs nothing is one of which nothing is known
    usual = {name: round(float(np.median(value)), 2) for name, value in terms.items()}
    return {**value_range(total), "currency": shop.currency, "usual": usual}


def _consumables(work: Work, shop: Shop) -> float:
    parts = sum(build.parts for build in work.option.builds)
    by_build = float(shop.costs.get("consumables_per_build", 0.0)) * len(work.option.builds)
    return by_build + float(shop.costs.get("consumables_per_part", 0.0)) * parts


def _machine_cost(work: Work, shop: Shop) -> np.ndarray:
    on_machine = np.isin(work.steps.stage.astype(str), ON_MACHINE)
    rate = np.array([shop.machines[name].rate_per_h or 0.0 for name in work.steps.machine])
    return np.asarray(rate[on_machine] @ work.minutes[on_machine]) / 60.0


def _person_cost(work: Work, shop: Shop) -> np.ndarray:
    given = [crew.rate_per_h for crew in shop.crews.values() if crew.rate_per_h is not None]
    everyone = float(shop.costs.get("person_per_h", np.mean(given) if given else 0.0))
    rate = np.array([_crew_rate(stage, shop, everyone) for stage in work.steps.stage])
    return np.asarray(rate @ work.touch) / 60.0


def _crew_rate(stage: str, shop: Shop, everyone: float) -> float:
    able = [
        crew.rate_per_h
        for crew in shop.crews.values()
        if crew.rate_per_h is not None and (not crew.stages or stage in crew.stages)
    ]
    return float(np.mean(able)) if able else everyone


def _material_cost(work: Work, shop: Shop) -> float:
    """What is laid, with waste; powder beds also pay for unused powder that is not used again."""
    waste, refresh = (
        float(shop.costs.get(name, share)) for name, share in (("waste_share", 0.1), ("refresh_share", 0.3))
    )
    cost = 0.0
    for number, build in enumerate(work.option.builds, 1):
        material = shop.materials[work.option.piece_of(build).material]
        volume = _laid_cm3(work, number, build, shop)
        used_g = material.params["density_g_cm3"] * volume * (1 + waste)
        if material.process == "PBF":
            used_g += _powder_lost_g(work.option, build, volume, shop) * refresh
        cost += used_g / 1000.0 * (material.price_per_kg or 0.0)
    return cost


def _laid_cm3(work: Work, number: int, build: Build, shop: Shop) -> float:
    """Material that a build takes: parts as they are filled, supports as dense as they are; of powder the parts [cm3]."""
    machine = shop.machines[build.machine]
    if machine.process == "PBF":
        return sum(copies * work.option.pieces[piece].shape.volume_cm3 for piece, copies in build.contents)
    return float(work.steps.fillings[work.place[f"build {number}"]].max()) * machine.params_on(None)["refill_cm3"]


def _powder_lost_g(option: Option, build: Build, volume_cm3: float, shop: Shop) -> float:
    """Powder of the cake that was not sintered [g]."""
    machine = shop.machines[build.machine]
    bulk_g_cm3 = shop.materials[option.piece_of(build).material].params["powder_rho_kg_m3"] / 1000.0
    nest = nested(machine, [(option.pieces[piece].shape, copies) for piece, copies in build.contents])
    return max(nest.cake_cm3 - volume_cm3, 0.0) * bulk_g_cm3
