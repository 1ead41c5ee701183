"""Parts that logs name: measured once, from the meshes in the shop's folder ``parts``."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib.errors import CalibError
from calib.geometry.mesh import Mesh
from calib.geometry.read_mesh import read_mesh
from calib.quoting.columns import parts_columns
from calib.quoting.posing import Way, shortlist
from calib.quoting.request import DEFAULT_FINISH
from calib.quoting.shape import Shape, ShapeFinder
from calib.records import MeasuredPart
from calib.shop.model import Machine, Shop
from calib.store.open_store import open_store
from calib.store.parts import Parts, find_parts, find_sides, save_parts
from calib.workflow.fitted import has_store
from calib.workflow.paths import with_paths

FOLDER = "parts"
QUANTITIES = (1, 200)  # for which a part that was never quoted is posed: alone, and in full builds


def with_parts(
    folder: Path, builds: pd.DataFrame, shop: Shop, progress: Callable[[str], None] = lambda text: None
) -> pd.DataFrame:
    """Builds of measured parts with their layer ``profile``, and with the geometry that their logs do not say.

    Those whose path is known have its minutes too, see ``paths.with_paths``.
    """
    builds = with_paths(folder, builds, shop, progress)
    measured = _parts_of(folder, builds, shop, progress)
    return with_measured(builds, measured, shop) if measured and "part_file" in builds else builds


def with_measured(builds: pd.DataFrame, measured: Parts, shop: Shop) -> pd.DataFrame:
    """As ``with_parts``, of parts that are known. A row and a quote of the same build come to the same columns."""
    known: dict[tuple[Any, ...], tuple[MeasuredPart, dict[str, float]]] = {}
    found = []
    heights = builds["height_mm"] if "height_mm" in builds else [None] * len(builds)
    machines = builds["machine"] if "machine" in builds else [None] * len(builds)
    rows = zip(builds["part_file"], builds["process"], machines, builds["parts"], heights, strict=True)
    for key in rows:
        name, process, machine, copies, height = key
        poses = measured.get((name, process), []) if isinstance(name, str) else []
        if poses and key not in known:
            known[key] = _as_built(poses, shop.machines.get(machine), copies, height)
        found.append(known[key] if poses else None)
    made = builds.assign(profile=pd.Series([one and one[0].profile for one in found], builds.index, object))
    for name in dict.fromkeys(name for one in known.values() for name in one[1]):
        each = pd.Series([one[1].get(name, np.nan) if one else np.nan for one in found], builds.index, float)
        stated = made[name].astype(float) if name in made else pd.Series(np.nan, builds.index)
        made[name] = stated.fillna(each)
    return made


def _as_built(
    poses: Sequence[MeasuredPart], machine: Machine | None, copies: Any, height: Any
) -> tuple[MeasuredPart, dict[str, float]]:
    """The pose in which a build was most likely made, by its height where that is known, and what it makes of its row."""
    count = max(int(copies), 1) if copies == copies and copies else 1
    whole = [part for part in poses if math.isfinite(part.volume_cm3)]
    if machine is None or not whole or machine.process != whole[0].process:
        part = min(poses, key=lambda one: abs(math.log(one.quantity / count)))
        return part, {
            "part_area_cm2": part.area_cm2 * count,
            "support_volume_cm3": part.support_cm3 * count,
            "support_contact_cm2": part.contact_cm2 * count,
        }
    made = [(part, parts_columns(machine, [(part, count)])) for part in whole]
    if height is not None and height == height:
        return min(made, key=lambda one: abs(one[1]["height_mm"] - float(height)))
    return min(made, key=lambda one: abs(math.log(one[0].quantity / count)))


def _parts_of(folder: Path, builds: pd.DataFrame, shop: Shop, progress: Callable[[str], None]) -> Parts:
    """Every part known to the store, after measuring those that ``builds`` name and that are new or changed."""
    if not has_store(folder):
        return {}
    with open_store(folder, read_only=True) as store:
        known = find_parts(store)
    fresh: list[MeasuredPart] = []
    for path, processes in _named(folder, builds).items():
        digest = sha256(path.read_bytes()).hexdigest()
        new = [process for process in processes if not _is_known(known, path.name, process, digest)]
        if new:
            progress(f"Measuring {path.name} ...")
            mesh = _read(path)
        for process in new:
            known.pop((path.name, process), None)
            fresh += [part for quantity in QUANTITIES for part in _measured(mesh, process, quantity, shop)]
    if fresh:
        with open_store(folder) as store:
            save_parts(store, fresh)
    for part in fresh:
        known.setdefault((part.name, part.process), []).append(part)
    return known


def remember_parts(folder: Path, document: Mapping[str, Any], meshes: Sequence[Mesh], shop: Shop) -> None:
    """Keep parts in the poses that a quote gives them: logs may name them later."""
    finders = {mesh.name: ShapeFinder(mesh) for mesh in meshes}
    quantity = {item["part"]: int(item["quantity"]) for item in document["items"]}
    parts: dict[tuple[str, str], MeasuredPart] = {}
    for option in document["options"]:
        for pose in option["poses"]:
            for machine in (shop.machines[name] for name in option["machine"].split("+")):
                finder = finders[pose["part"]]
                shape = next((one for one in finder.shapes(machine) if _is_pose(one, pose)), None)
                if shape is not None and shape.process == machine.process:
                    part = measured_part(shape, quantity[pose["part"]])
                    parts.setdefault((part.name, part.process), part)
    with open_store(folder) as store:
        save_parts(store, list(parts.values()))


def usual_sides_mm(folder: Path) -> list[float]:
    """Greatest side of each part that the lab has had [mm]; nothing where there is no store."""
    if not has_store(folder):
        return []
    with open_store(folder, read_only=True) as store:
        return find_sides(store)


def _is_pose(shape: Shape, pose: Mapping[str, Any]) -> bool:
    return shape.pose.words() == pose["lies"] and [round(side, 2) for side in shape.size_mm] == pose["size_mm"]


def measured_part(shape: Shape, quantity: int) -> MeasuredPart:
    """A part in the pose that was chosen for so many."""
    mesh = shape.pose.mesh
    return MeasuredPart(
        name=mesh.name,
        process=shape.process,
        sha256=mesh.sha256,
        area_cm2=shape.area_cm2,
        support_cm3=shape.support_cm3,
        contact_cm2=shape.contact_cm2,
        profile=shape.profile,
        volume_cm3=shape.volume_cm3,
        size_mm=shape.size_mm,
        support_thick_mm=shape.support_thick_mm,
        rafted=shape.rafted,
        quantity=quantity,
        enclosed=shape.enclosed,
    )


def _is_known(known: Parts, name: str, process: str, digest: str) -> bool:
    return any(part.sha256 == digest for part in known.get((name, process), []))


def _named(folder: Path, builds: pd.DataFrame) -> dict[Path, list[str]]:
    """Files in the shop's own folder that builds name, with their processes; what a log names is never taken for a path."""
    if "part_file" not in builds:
        return {}
    there = {path.name: path for path in (folder / FOLDER).glob("*") if path.is_file()}
    pairs = builds.loc[builds["part_file"].isin(there), ["part_file", "process"]].drop_duplicates()
    return {there[str(name)]: sorted(of_it["process"]) for name, of_it in pairs.groupby("part_file")}


def _read(path: Path) -> Mesh | None:
    try:
        return read_mesh(path)
    except CalibError:  # a build whose part cannot be read is reckoned without it
        return None


def _measured(mesh: Mesh | None, process: str, quantity: int, shop: Shop) -> list[MeasuredPart]:
    """The part in the pose for so many on the first machine of the process that takes it; nothing where none does."""
    if mesh is None or not math.isfinite(mesh.volume_mm3):
        return []
    finder = _finder(mesh)
    for machine in shop.machines.values():
        materials = [shop.materials[name] for name in machine.materials if name in shop.materials]
        if machine.process == process and materials:
            found = shortlist(finder, Way(machine, materials[0], DEFAULT_FINISH[process], shop), quantity)
            if found:
                return [measured_part(found[0][0], quantity)]
    return []


@lru_cache(maxsize=2)
def _finder(mesh: Mesh) -> ShapeFinder:
    return ShapeFinder(mesh)
