"""Parts that logs name: measured once, from the meshes in the shop's folder ``parts``."""

from __future__ import annotations

from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import numpy as np
import pandas as pd

from calib.errors import CalibError
from calib.geometry.read_mesh import read_mesh
from calib.quoting.shape import ShapeFinder
from calib.records import MeasuredPart
from calib.shop.model import Shop
from calib.store.open_store import open_store
from calib.store.parts import find_parts, save_parts
from calib.workflow.fitted import has_store

FOLDER = "parts"
OF_A_PART = {"part_area_cm2": "area_cm2", "support_volume_cm3": "support_cm3", "support_contact_cm2": "contact_cm2"}


def with_parts(
    folder: Path, builds: pd.DataFrame, shop: Shop, progress: Callable[[str], None] = lambda text: None
) -> pd.DataFrame:
    """Builds of measured parts with their layer ``profile``, and with surface and supports where a log does not say them."""
    measured = _parts_of(folder, builds, shop, progress)
    if not measured or "part_file" not in builds:
        return builds
    parts = [measured.get(key) for key in zip(builds["part_file"], builds["process"], strict=True)]
    made = builds.assign(profile=pd.Series([part and part.profile for part in parts], builds.index, object))
    for name, fact in OF_A_PART.items():
        each = pd.Series([getattr(part, fact) if part else np.nan for part in parts], builds.index, float)
        told = made[name].astype(float) if name in made else pd.Series(np.nan, builds.index)
        made[name] = told.fillna(each * made["parts"])
    return made


def _parts_of(
    folder: Path, builds: pd.DataFrame, shop: Shop, progress: Callable[[str], None]
) -> dict[tuple[str, str], MeasuredPart]:
    """Every part known to the store, after measuring those that ``builds`` name and that are new or changed."""
    if not has_store(folder):
        return {}
    with open_store(folder, read_only=True) as store:
        known = find_parts(store)
    fresh = []
    for path, process in _named(folder, builds):
        digest = sha256(path.read_bytes()).hexdigest()
        if (path.name, process) not in known or known[path.name, process].sha256 != digest:
            progress(f"Measuring {path.name} ...")
            fresh += _measured(path, process, digest, shop)
    if fresh:
        with open_store(folder) as store:
            save_parts(store, fresh)
    return {**known, **{(part.name, part.process): part for part in fresh}}


def _named(folder: Path, builds: pd.DataFrame) -> list[tuple[Path, str]]:
    """Files in the shop's own folder that builds name; a name with a path in it is no file of that folder."""
    if "part_file" not in builds:
        return []
    pairs = builds.loc[builds["part_file"].notna(), ["part_file", "process"]].drop_duplicates()
    found = [(name, process) for name, process in pairs.itertuples(index=False) if name and name == Path(name).name]
    return [(path, process) for name, process in found if (path := folder / FOLDER / name).is_file()]


def _measured(path: Path, process: str, digest: str, shop: Shop) -> list[MeasuredPart]:
    """The part in the pose of the first machine of the process that takes it; nothing where none does or none can read it."""
    machines = [machine for machine in shop.machines.values() if machine.process == process]
    try:
        finder = ShapeFinder(read_mesh(path))
        shapes = (finder.shape(machine) for machine in machines)
        shape = next((shape for shape in shapes if shape is not None), None)
    except CalibError:
        return []
    if shape is None:
        return []
    return [
        MeasuredPart(path.name, process, digest, shape.area_cm2, shape.support_cm3, shape.contact_cm2, shape.profile)
    ]
