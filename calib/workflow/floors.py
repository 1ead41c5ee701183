"""Least times that are not known: said wherever they are used, and what stands in for them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from calib.quoting.notes import unknown_floors
from calib.shop.keys import FLOOR_OF_STAGE
from calib.shop.limits import least_time_known, material_of
from calib.shop.model import Shop


def floor_warnings(rows: pd.DataFrame, shop: Shop) -> list[str]:
    """A sentence for each material of which a least time is not known; rows : process, material, machine, stage."""
    found = rows[["process", "material", "machine", "stage"]].drop_duplicates().fillna("")
    named = [
        (process, material_of(shop, material, machine), stage)
        for process, material, machine, stage in found.itertuples(index=False, name=None)
    ]
    return unknown_floors(
        (material, stage) for process, material, stage in named if not least_time_known(shop, process, material, stage)
    )


def with_stand_ins(rows: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """Rows of ``baseline_frame``; a material that the shop lacks has the smallest least time of its process's materials."""
    named = rows["material"].map({name: one.process for name, one in shop.materials.items()}) == rows["process"]
    if named.all():
        return rows
    least = {
        (process, stage): min(_floors(stage, process, shop), default=np.nan)
        for process, stage in set(zip(rows["process"], rows["stage"], strict=True))
    }
    stand_in = [least[key] for key in zip(rows["process"], rows["stage"], strict=True)]
    return rows.assign(floor_min=rows["floor_min"].where(named, np.fmax(rows["floor_min"], stand_in)))


def _floors(stage: str, process: str, shop: Shop) -> list[float]:
    """Least times of a stage that data sheets of the shop's materials state [min]."""
    stated = [
        one.floors.get(FLOOR_OF_STAGE.get(stage, "")) for one in shop.materials.values() if one.process == process
    ]
    return [value for value in stated if value is not None]
