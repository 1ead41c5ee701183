"""A simulated lab with structure that no additive model holds, laid over one of ``simulator``; the truth stays known.

Every kind adds to the location of the rows that have it: who does what size of work, on which machine, on which
shift, which material runs on which machine, and sizes and counts of parts from which on work is another. Sd of each
kind is SHARE of that of a run, times the strength; 0 is the lab as it was.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from simulator import CELLS, MACHINES, MATERIALS, PEOPLE, Lab

SHARE = 0.2  # sd of one kind over the sd of a run, at strength 1
POCKETS = 0.25  # share of pairs of person and machine that have an effect
LATE_HOUR = 14
Kind = Callable[[np.random.Generator, pd.DataFrame], np.ndarray]


def tangled(lab: Lab, seed: int, strength: float, kinds: tuple[str, ...] = ()) -> Lab:
    """The lab with such structure in it, and the count of parts of each build logged; the same seed gives the same.

    kinds : names in KINDS; all if none is named
    """
    truth = lab.truth.copy()
    rng = np.random.default_rng([20260309, seed])
    builds = int(truth["build"].max()) + 1
    truth["parts"] = np.maximum(1, np.exp(rng.normal(0.7, 1.0, builds)).round().astype(int))[truth["build"]]
    added = np.zeros(len(truth))
    for number, (name, kind) in enumerate(KINDS.items()):
        if name in (kinds or KINDS):
            added += kind(np.random.default_rng([20260309, seed, number]), truth)
    added *= SHARE * strength * truth["whole_sd"].to_numpy()
    truth["location"] += added
    truth["y"] += added
    return Lab(lab.runs.assign(actual_min=lab.runs["actual_min"] * np.exp(added), parts=truth["parts"]), truth)


def _person_size(rng: np.random.Generator, rows: pd.DataFrame) -> np.ndarray:
    """One person is quick with large work, another with small."""
    return rng.standard_normal(PEOPLE)[rows["operator"]] * rows["size"].to_numpy() * rows["person"].to_numpy()


def _person_machine(rng: np.random.Generator, rows: pd.DataFrame) -> np.ndarray:
    """A few persons get on badly, or well, with some machines."""
    shape = (PEOPLE, sum(MACHINES))
    effect = (rng.random(shape) < POCKETS) * rng.choice([-1.0, 1.0], shape) / np.sqrt(POCKETS)
    return effect[rows["operator"], rows["machine"]] * rows["person"].to_numpy()


def _material_machine(rng: np.random.Generator, rows: pd.DataFrame) -> np.ndarray:
    """A material runs well on one machine and badly on another."""
    effect = rng.standard_normal((sum(MATERIALS), sum(MACHINES)))
    return effect[rows["material"], rows["machine"]] * ~rows["person"].to_numpy()


def _size_step(rng: np.random.Generator, rows: pd.DataFrame) -> np.ndarray:
    """From a size on, work of a cell is another."""
    edge, height = rng.uniform(-1, 1, len(CELLS)), rng.choice([-2.0, 2.0], len(CELLS))
    cell = rows["cell"].to_numpy()
    return height[cell] * ((rows["size"].to_numpy() > edge[cell]) - 0.5)


def _size_wave(rng: np.random.Generator, rows: pd.DataFrame) -> np.ndarray:
    """Size works up and down."""
    phase = rng.uniform(0, 2 * np.pi, len(CELLS))[rows["cell"]]
    return np.sqrt(2) * np.sin(2.5 * rows["size"].to_numpy() + phase)


def _parts_step(rng: np.random.Generator, rows: pd.DataFrame) -> np.ndarray:
    """From a count of parts on, persons' work is another."""
    edge, height = rng.choice([2, 4, 8], len(CELLS)), rng.choice([-2.0, 2.0], len(CELLS))
    cell = rows["cell"].to_numpy()
    return height[cell] * ((rows["parts"].to_numpy() > edge[cell]) - 0.5) * rows["person"].to_numpy()


def _shift(rng: np.random.Generator, rows: pd.DataFrame) -> np.ndarray:
    """Persons differ by weekday, and in the late half of the day."""
    ended = rows["ended_at"].dt
    late, day = (ended.hour >= LATE_HOUR).to_numpy(int), ended.day_of_week.to_numpy()
    of_shift, of_day = rng.standard_normal((PEOPLE, 2)), rng.standard_normal(7)
    return (of_shift[rows["operator"], late] + of_day[day]) / np.sqrt(2) * rows["person"].to_numpy()


KINDS: dict[str, Kind] = {
    "person x size": _person_size,
    "person x machine": _person_machine,
    "material x machine": _material_machine,
    "step in size": _size_step,
    "wave in size": _size_wave,
    "step in parts": _parts_step,
    "shift": _shift,
}
