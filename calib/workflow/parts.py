"""Parts that logs name: measured once, from the meshes in the shop's folder ``parts``."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from hashlib import sha256
from itertools import islice, product
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib.errors import CalibError
from calib.geometry.mesh import Mesh
from calib.geometry.read_mesh import read_mesh
from calib.progress import Progress, no_progress
from calib.quoting.build_rows import mean_profile, parts_columns
from calib.quoting.posing import Configuration, shortlist
from calib.quoting.request import DEFAULT_FINISH
from calib.quoting.shape import Shape, ShapeFinder, shapes_of
from calib.records import LayerProfile, MeasuredPart
from calib.shop.model import Machine, Shop
from calib.store.open_store import open_store
from calib.store.parts import Parts, find_contents, find_parts, find_sides, save_parts
from calib.workflow.fitted import has_store
from calib.workflow.paths import with_paths

FOLDER = "parts"
MOST_POSES = 64  # of the parts of a build together, that are compared with its height
QUANTITIES = (1, 200)  # for which a part that was never quoted is posed: alone, and in full builds


def with_parts(folder: Path, builds: pd.DataFrame, shop: Shop, progress: Progress = no_progress) -> pd.DataFrame:
    """Builds of measured parts with their layer ``profile``, and with the geometry that their logs do not say.

    Those whose path is known have its minutes too, see ``paths.with_paths``.
    """
    builds = with_paths(folder, builds, shop, progress)
    if not has_store(folder):
        return builds
    with open_store(folder, read_only=True) as store:
        inside = contents_of(builds, find_contents(store) | planned_items(builds))
        known = find_parts(store) if any(inside) else {}
    measured = _with_new(folder, known, builds["process"], inside, shop, progress) if any(inside) else {}
    return with_measured(builds, inside, measured, shop) if measured else builds


Contents = tuple[tuple[str, int], ...]  # name of a part's file, copies


def contents_of(builds: pd.DataFrame, items: Mapping[str, Contents]) -> list[Contents]:
    """What each build holds: the part that its row names, else its items where they are all of its parts; else nothing."""
    names = builds["part_file"] if "part_file" in builds else pd.Series(None, builds.index, object)
    ids = builds["build_id"] if "build_id" in builds else pd.Series(None, builds.index, object)
    contents: list[Contents] = []
    for name, build, copies in zip(names, ids, builds["parts"], strict=True):
        count = max(int(copies), 1) if copies == copies and copies else 1
        listed = items.get(build, ())
        whole = sum(number for _, number in listed) == count
        contents.append(((name, count),) if isinstance(name, str) and name else listed if whole else ())
    return contents


def with_measured(builds: pd.DataFrame, inside: Sequence[Contents], measured: Parts, shop: Shop) -> pd.DataFrame:
    """As ``with_parts``, of parts that are known. A row and a quote of the same build come to the same columns."""
    known: dict[tuple[Any, ...], tuple[LayerProfile, dict[str, float]]] = {}
    rows = []
    heights = builds["height_mm"] if "height_mm" in builds else [None] * len(builds)
    machines = builds["machine"] if "machine" in builds else [None] * len(builds)
    for key in zip(inside, builds["process"], machines, heights, strict=True):
        contents, process, machine, height = key
        poses = [measured.get((name, process), []) for name, _ in contents]
        if key not in known and contents and all(poses):
            copies = [count for _, count in contents]
            known[key] = _as_built(poses, copies, shop.machines.get(machine), height)
        rows.append(known.get(key))
    made = builds.assign(profile=pd.Series([row and row[0] for row in rows], builds.index, object))
    for name in dict.fromkeys(name for row in known.values() for name in row[1]):
        each = pd.Series([row[1].get(name, np.nan) if row else np.nan for row in rows], builds.index, float)
        stated = made[name].astype(float) if name in made else pd.Series(np.nan, builds.index)
        made[name] = stated.fillna(each)
    return made


def _as_built(
    poses: Sequence[Sequence[MeasuredPart]], copies: Sequence[int], machine: Machine | None, height: Any
) -> tuple[LayerProfile, dict[str, float]]:
    """Poses in which a build was most likely made, by its height where that is known: their profile, and the row's columns."""
    near = [sorted(own, key=lambda part: abs(math.log(part.quantity / count)))
            for own, count in zip(poses, copies, strict=True)]  # fmt: skip
    whole = [[part for part in own if math.isfinite(part.volume_cm3)] for own in near]
    if machine is None or not all(whole) or machine.process != whole[0][0].process:
        parts = [own[0] for own in near]
        weighed = list(zip(parts, copies, strict=True))
        return _together(parts, copies), {
            "part_area_cm2": sum(part.area_cm2 * count for part, count in weighed),
            "support_volume_cm3": sum(part.support_cm3 * count for part, count in weighed),
            "support_contact_cm2": sum(part.contact_cm2 * count for part, count in weighed),
        }
    if height is None or height != height:
        chosen = tuple(own[0] for own in whole)
        return _together(chosen, copies), parts_columns(machine, list(zip(chosen, copies, strict=True)))
    made = [
        (parts, parts_columns(machine, list(zip(parts, copies, strict=True))))
        for parts in islice(product(*whole), MOST_POSES)
    ]
    chosen, columns = min(made, key=lambda build: abs(build[1]["height_mm"] - float(height)))
    return _together(chosen, copies), columns


def _together(parts: Sequence[MeasuredPart], copies: Sequence[int]) -> LayerProfile:
    return parts[0].profile if len(parts) == 1 else mean_profile(tuple(part.profile for part in parts), tuple(copies))


def planned_items(builds: pd.DataFrame) -> dict[str, Contents]:
    """What builds of accepted quotes hold of several parts, see ``planned_builds``."""
    if "items" not in builds:
        return {}
    return {
        build: tuple((name, copies) for name, copies in items)
        for build, items in zip(builds["build_id"], builds["items"], strict=True)
        if isinstance(items, list)
    }


def _with_new(
    folder: Path, known: Parts, processes: pd.Series, inside: Sequence[Contents], shop: Shop, progress: Progress
) -> Parts:
    """Every part known to the store, after measuring those that builds hold and that are new or changed."""
    fresh: list[MeasuredPart] = []
    for path, of_part in _named(folder, processes, inside).items():
        digest = sha256(path.read_bytes()).hexdigest()
        new = [process for process in of_part if not _is_known(known, path.name, process, digest)]
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


def parts_of_quote(document: Mapping[str, Any], shapes: Mapping[Mesh, ShapeFinder], shop: Shop) -> list[MeasuredPart]:
    """Parts in the poses that a quote gives them, of each process the first; to be kept, for logs may name them later."""
    finders = {mesh.name: finder for mesh, finder in shapes.items()}
    quantity = {item["part"]: int(item["quantity"]) for item in document["items"]}
    parts: dict[tuple[str, str], MeasuredPart] = {}
    for option in document["options"]:
        for pose in option["poses"]:
            for machine in (shop.machines[name] for name in option["machine"].split("+")):
                if (pose["part"], machine.process) in parts:
                    continue
                finder = finders[pose["part"]]
                shape = next((own for own in finder.shapes(machine) if _is_pose(own, pose)), None)
                if shape is not None and shape.process == machine.process:
                    parts[pose["part"], machine.process] = measured_part(shape, quantity[pose["part"]])
    return list(parts.values())


def usual_sides_mm(folder: Path) -> list[float]:
    """Greatest side of each part that the lab has had [mm]; nothing where there is no store."""
    if not has_store(folder):
        return []
    with open_store(folder, read_only=True) as store:
        return find_sides(store)


def _is_pose(shape: Shape, pose: Mapping[str, Any]) -> bool:
    size = [round(side, 2) for side in shape.size_mm]
    return bool(shape.pose.words() == pose["lies"] and size == pose["size_mm"])


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


def _named(folder: Path, processes: pd.Series, inside: Sequence[Contents]) -> dict[Path, list[str]]:
    """Files in the shop's own folder that builds hold, with their processes; what a log names is never taken for a path."""
    there = {path.name: path for path in (folder / FOLDER).glob("*") if path.is_file()}
    processes_of: dict[Path, set[str]] = {}
    for process, contents in zip(processes, inside, strict=True):
        for name in (name for name, _ in contents if name in there):
            processes_of.setdefault(there[name], set()).add(process)
    return {path: sorted(processes_of[path]) for path in sorted(processes_of)}


def _read(path: Path) -> Mesh | None:
    try:
        return read_mesh(path)
    except CalibError:  # a build whose part cannot be read is reckoned without it
        return None


def _measured(mesh: Mesh | None, process: str, quantity: int, shop: Shop) -> list[MeasuredPart]:
    """The part in the pose for so many on the first machine of the process that takes it; nothing where none does."""
    if mesh is None or not math.isfinite(mesh.volume_mm3):
        return []
    finder = shapes_of(mesh)
    for machine in shop.machines.values():
        materials = [shop.materials[name] for name in machine.materials if name in shop.materials]
        if machine.process == process and materials:
            poses = shortlist(finder, Configuration(machine, materials[0], DEFAULT_FINISH[process], shop), quantity)
            if poses:
                return [measured_part(poses[0][0], quantity)]
    return []
