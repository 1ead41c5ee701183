"""What an option costs by the shop's own rates: machine, person, material with waste, consumables."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.quoting.ranges import value_range
from calib.quoting.schedule import ON_MACHINE
from calib.quoting.work import Work, build_height_mm
from calib.shop.model import Shop


def option_cost(work: Work, shop: Shop) -> dict[str, Any] | None:
    """Range of the whole order's cost and its usual parts; None where the shop states no currency."""
    if shop.currency is None:
        return None
    fixed = {"material": _material_cost(work, shop), "consumables": _consumables(work, shop)}
    terms = {"machine": _machine_cost(work, shop), "person": _person_cost(work, shop)}
    terms |= {name: np.full(work.minutes.shape[1], cost) for name, cost in fixed.items()}
    total = np.sum(list(terms.values()), axis=0) * (1 + float(shop.costs.get("overhead_share", 0.0)))
    usual = {name: round(float(np.median(value)), 2) for name, value in terms.items()}
    return {**value_range(total), "currency": shop.currency, "usual": usual}


def _consumables(work: Work, shop: Shop) -> float:
    parts = sum(count for count, _ in work.option.builds)
    by_build = float(shop.costs.get("consumables_per_build", 0.0)) * len(work.option.builds)
    return by_build + float(shop.costs.get("consumables_per_part", 0.0)) * parts


def _machine_cost(work: Work, shop: Shop) -> np.ndarray:
    on_machine = work.rows["stage"].isin(ON_MACHINE).to_numpy()
    rates = {name: machine.rate_per_h or 0.0 for name, machine in shop.machines.items()}
    rate = work.rows["machine"].map(rates).fillna(0.0).to_numpy()
    return np.asarray(rate[on_machine] @ work.minutes[on_machine]) / 60.0


def _person_cost(work: Work, shop: Shop) -> np.ndarray:
    given = [crew.rate_per_h for crew in shop.crews.values() if crew.rate_per_h is not None]
    everyone = float(shop.costs.get("person_per_h", np.mean(given) if given else 0.0))
    rate = np.array([_crew_rate(stage, shop, everyone) for stage in work.rows["stage"]])
    return np.asarray(rate @ work.touch) / 60.0


def _crew_rate(stage: str, shop: Shop, everyone: float) -> float:
    able = [
        crew.rate_per_h
        for crew in shop.crews.values()
        if crew.rate_per_h is not None and (not crew.stages or stage in crew.stages)
    ]
    return float(np.mean(able)) if able else everyone


def _material_cost(work: Work, shop: Shop) -> float:
    """Parts and supports with waste; powder beds also pay for unused powder that is not used again."""
    material = shop.materials[work.option.material]
    if material.price_per_kg is None:
        return 0.0
    used_g = material.params["density_g_cm3"] * shape_volume(work) * (1 + float(shop.costs.get("waste_share", 0.1)))
    if work.option.process == "PBF":
        used_g += _powder_lost_g(work, shop) * float(shop.costs.get("refresh_share", 0.3))
    return used_g / 1000.0 * material.price_per_kg


def shape_volume(work: Work) -> float:
    """Volume of all parts with their supports [cm3]."""
    shape = work.option.shape
    return sum(count for count, _ in work.option.builds) * (shape.volume_cm3 + shape.support_cm3)


def _powder_lost_g(work: Work, shop: Shop) -> float:
    """Powder of the cakes that was not sintered [g]."""
    option = work.option
    bulk_g_cm3 = shop.materials[option.material].params["powder_rho_kg_m3"] / 1000.0
    cakes = 0.0
    for parts, name in option.builds:
        machine = shop.machines[name]
        height = float(build_height_mm(option.shape, machine, np.array([float(parts)]))[0])
        cakes += height * machine.build_mm[0] * machine.build_mm[1] / 1000.0
    return max(cakes - shape_volume(work), 0.0) * bulk_g_cm3
