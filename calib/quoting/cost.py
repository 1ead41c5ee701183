"""What an option costs by the shop's own rates: machine, person, material with waste, consumables."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.quoting.ranges import value_range
from calib.quoting.schedule import ON_MACHINE
from calib.quoting.work import Work
from calib.shop.model import Shop


def option_cost(work: Work, shop: Shop) -> dict[str, Any] | None:
    """Range of the whole order's cost and its usual parts; None where the shop states no currency."""
    if shop.currency is None:
        return None
    terms = {
        "machine": _machine_cost(work, shop),
        "person": _person_cost(work, shop),
        "material": np.full(work.minutes.shape[1], _material_cost(work, shop)),
        "consumables": np.full(
            work.minutes.shape[1], float(shop.costs.get("consumables_per_build", 0.0)) * _builds(work)
        ),
    }
    total = np.sum(list(terms.values()), axis=0) * (1 + float(shop.costs.get("overhead_share", 0.0)))
    usual = {name: round(float(np.median(value)), 2) for name, value in terms.items()}
    return {**value_range(total), "currency": shop.currency, "usual": usual}


def _builds(work: Work) -> int:
    return len(work.option.builds)


def _machine_cost(work: Work, shop: Shop) -> np.ndarray:
    on_machine = work.rows["stage"].isin(ON_MACHINE).to_numpy()
    rates = {name: machine.rate_per_h or 0.0 for name, machine in shop.machines.items()}
    rate = work.rows["machine"].map(rates).fillna(0.0).to_numpy()
    return np.asarray(rate[on_machine] @ work.minutes[on_machine]) / 60.0


def _person_cost(work: Work, shop: Shop) -> np.ndarray:
    given = [crew.rate_per_h for crew in shop.crews.values() if crew.rate_per_h is not None]
    everyone = float(np.mean(given)) if given else 0.0
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
    """Parts and supports with waste; powder beds also pay for the fresh share of the cake that is not used again."""
    material, shape = shop.materials[work.option.material], work.option.shape
    if material.price_per_kg is None:
        return 0.0
    density = float(material.params.get("density_g_cm3", 1.1))
    parts = sum(count for count, _ in work.option.builds)
    used_cm3 = parts * (shape.volume_cm3 + shape.support_cm3)
    waste = float(material.params.get("waste_share", 0.1))
    return used_cm3 * (1 + waste) * density / 1000.0 * material.price_per_kg
