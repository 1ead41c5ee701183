"""Least times: those that are not known, what stands in for them, and logged runs that were shorter."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pandas as pd

from calib.documents.drift import BelowFloor
from calib.quoting.notes import unknown_floors
from calib.shop.keys import FLOOR_OF_STAGE
from calib.shop.limits import least_time_known, material_of
from calib.shop.model import Shop
from calib.workflow.training_rows import TrainingRows


def floor_warnings(rows: pd.DataFrame, shop: Shop) -> list[str]:
    """A sentence for each material of which a least time is not known; rows : process, material, machine, stage."""
    steps = rows[["process", "material", "machine", "stage"]].drop_duplicates().fillna("")
    named = [
        (process, material_of(shop, material, machine), stage)
        for process, material, machine, stage in steps.itertuples(index=False, name=None)
    ]
    return unknown_floors(
        (material, stage) for process, material, stage in named if not least_time_known(shop, process, material, stage)
    )


def with_stand_ins(rows: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """Rows of ``baseline_frame``; a material that the shop lacks has the smallest least time of its process's materials."""
    named = (
        rows["material"].map({name: material.process for name, material in shop.materials.items()}) == rows["process"]
    )
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
        material.floors.get(FLOOR_OF_STAGE.get(stage, ""))
        for material in shop.materials.values()
        if material.process == process
    ]
    return [value for value in stated if value is not None]


WEEK = timedelta(days=7)
CAME_WITH_IT = timedelta(days=6)  # before the last import, so that last week's is another one


def below_floor(learned: TrainingRows, runs: pd.DataFrame, shop: Shop) -> list[BelowFloor]:
    """Every such run: build_id, process, stage, actual_min, floor_min, ``by`` ('data sheet' or 'conduction') and ``new``.

    new : it ended in the last week of the logs, or came in with the last imports, however old it is
    """
    short = learned.below_floor
    if short.empty:
        return []
    new = short["ended_at"] > runs["ended_at"].max() - WEEK
    new |= short["run_key"].isin(runs.loc[runs["imported_at"] > runs["imported_at"].max() - CAME_WITH_IT, "run_key"])
    return [
        {
            "build_id": row["build_id"],
            "process": row["process"],
            "stage": row["stage"],
            "actual_min": row["actual_min"],
            "floor_min": row["floor_min"],
            "by": _by(row, shop),
            "new": bool(is_new),
        }
        for row, is_new in zip(short.to_dict("records"), new, strict=True)
    ]


def _by(row: dict[Any, Any], shop: Shop) -> str:
    """What sets the least time: the data sheet, or how powder conducts where that takes longer or nothing is stated."""
    material = shop.materials.get(row["material"])
    stated = material.floors.get(FLOOR_OF_STAGE.get(row["stage"], "")) if material else None
    is_powder = row["process"] == "PBF" and row["stage"] == "cool_down"
    return "conduction" if is_powder and row["floor_min"] > (stated or 0.0) + 1e-6 else "data sheet"


def as_questions(learned: TrainingRows) -> pd.DataFrame:
    """The same as marks for a person's look: run_key, ratio (actual over baseline), says."""
    short = learned.below_floor
    return (
        pd.DataFrame(
            {
                "run_key": short["run_key"],
                "ratio": short["whole_min"] / short["baseline_min"],
                "says": [f"below its least time of {round(least)} min: look at once" for least in short["floor_min"]],
            }
        )
        if len(short)
        else pd.DataFrame(columns=["run_key", "ratio", "says"])
    )
