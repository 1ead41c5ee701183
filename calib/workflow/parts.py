"""Parts that logs name: measured once, from the meshes in the shop's folder ``parts``."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from hashlib import sha256
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd

from calib.errors import CalibError
from calib.geometry.mesh import Mesh
from calib.geometry.read_mesh import read_mesh
from calib.quoting.shape import ShapeFinder
from calib.records import MeasuredPart
from calib.shop.model import Shop
from calib.store.open_store import open_store
from calib.store.parts import find_parts, save_parts
from calib.workflow.fitted import has_store
from calib.workflow.paths import with_paths

FOLDER = "parts"
OF_A_PART = {"part_area_cm2": "area_cm2", "support_volume_cm3": "support_cm3", "support_contact_cm2": "contact_cm2"}


def with_parts(
    folder: Path, builds: pd.DataFrame, shop: Shop, progress: Callable[[str], None] = lambda text: None
) -> pd.DataFrame:
    """Builds of measured parts with their layer ``profile``, and with surface and supports where a log does not say them.

    Those whose path is known have its minutes too, see ``paths.with_paths``.
    """
    builds = with_paths(folder, builds, shop, progress)
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
        if not _is_known(known, path.name, process, sha256(path.read_bytes()).hexdigest()):
            progress(f"Measuring {path.name} ...")
            fresh += _measured(_read(path), process, shop)
    if fresh:
        with open_store(folder) as store:
            save_parts(store, fresh)
    return {**known, **{(part.name, part.process): part for part in fresh}}


def remember_parts(folder: Path, meshes: Sequence[Mesh], shop: Shop) -> None:
    """Keep parts that were quoted, as each process of the shop would build them: logs may name them later."""
    with open_store(folder, read_only=True) as store:
        known = find_parts(store)
    processes = {machine.process for machine in shop.machines.values()}
    wanted = [(mesh, process) for mesh in dict.fromkeys(meshes) for process in sorted(processes)]
    fresh = [(mesh, process) for mesh, process in wanted if not _is_known(known, mesh.name, process, mesh.sha256)]
    if fresh:
        measured = [part for mesh, process in fresh for part in _measured(mesh, process, shop)]
        with open_store(folder) as store:
            save_parts(store, measured)


def _is_known(known: Mapping[tuple[str, str], MeasuredPart], name: str, process: str, digest: str) -> bool:
    return (name, process) in known and known[name, process].sha256 == digest


def _named(folder: Path, builds: pd.DataFrame) -> list[tuple[Path, str]]:
    """Files in the shop's own folder that builds name; what a log names is never taken for a path."""
    if "part_file" not in builds:
        return []
    there = {path.name: path for path in (folder / FOLDER).glob("*") if path.is_file()}
    pairs = builds.loc[builds["part_file"].isin(there), ["part_file", "process"]].drop_duplicates()
    return [(there[name], process) for name, process in pairs.itertuples(index=False)]


def _read(path: Path) -> Mesh | None:
    try:
        return read_mesh(path)
    except CalibError:  # a build whose part cannot be read is reckoned without it
        return None


def _measured(mesh: Mesh | None, process: str, shop: Shop) -> list[MeasuredPart]:
    """The part in the pose of the first machine of the process that takes it; nothing where none does."""
    machines = [machine for machine in shop.machines.values() if machine.process == process]
    if mesh is None or not math.isfinite(mesh.volume_mm3):
        return []
    finder = ShapeFinder(mesh)
    shapes = (shape for machine in machines for shape in finder.shapes(machine)[:1])
    return [
        MeasuredPart(mesh.name, process, mesh.sha256, one.area_cm2, one.support_cm3, one.contact_cm2, one.profile)
        for one in islice(shapes, 1)
    ]
