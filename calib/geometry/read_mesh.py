"""A part file -> a Mesh in millimetres, with what was found and what was repaired."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from calib.errors import MeshError
from calib.geometry.mesh import DOWN, Mesh, bounds_mm, face_areas_mm2
from calib.geometry.read_3mf import read_3mf
from calib.geometry.read_by_library import read_by_library
from calib.geometry.read_stl import read_stl
from calib.geometry.repair import heal
from calib.geometry.slices import Slices
from calib.geometry.units import MM_PER, absurd_size, ask_unit, small_size, unit_named
from calib.in_child import in_child
from calib.plain_file import check_plain

MAX_BYTES = 512 * 1024**2
MAX_BYTES_BY_LIBRARY = 192 * 1024**2  # OBJ, PLY, STEP: read whole, in many times the room of the file
MAX_FACES = 5_000_000
GREATEST_MM = 1e6  # a kilometre: past that a float has too few digits left for layers
READERS = {".stl": "STL", ".3mf": "3MF", ".obj": "OBJ", ".ply": "PLY", ".step": "STEP", ".stp": "STEP"}


def read_mesh(path: str | Path, unit: str | None = None) -> Mesh:
    """Read STL (binary or text), 3MF, OBJ, PLY, or STEP with the extra ``calib[step]``.

    path : the file
    unit : unit of its numbers, one of ``units.MM_PER``; only for files that carry none (mm is assumed)

    Raises a MeshError for files that cannot be read, are empty, too large, or hold numbers that are no lengths. An open
    surface is no error: its volume is nan where it means nothing.
    """
    path = Path(path)
    data = _bytes_of(path)
    triangles, own_unit, slices = _triangles(path, data)
    scale, name, assumed = _scale(path, unit, own_unit)
    triangles, bounds = _checked(path, triangles if scale == 1.0 else triangles * scale)
    healed = heal(triangles)
    doubt = absurd_size(bounds[1] - bounds[0]) if assumed else None
    return Mesh(
        triangles=healed.triangles,
        topology=healed.topology,
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        unit=name,
        unit_assumed=assumed,
        bodies=healed.bodies,
        watertight=healed.watertight,
        volume_mm3=healed.volume_mm3,
        area_mm2=float(face_areas_mm2(healed.triangles).sum()),
        bounds_mm=bounds,
        notes=(*([doubt] if doubt else []), *healed.notes, *_slice_notes(slices)),
        slices=_slices(path, slices, scale),
    )


def _slices(path: Path, stacks: tuple[Slices, ...] | None, scale: float) -> tuple[Slices, ...]:
    """Stacks in millimetres, where they are lengths."""
    scaled = tuple(stack.scaled(scale) for stack in stacks or ())
    for stack in scaled:
        greatest = max(
            (float(np.abs(values).max(initial=0)) for values in (stack.first, stack.high_mm, stack.low_mm)), default=0
        )
        if greatest > GREATEST_MM:
            raise MeshError(
                f"{path.name} has a slice at {greatest:.3g} mm; at most {GREATEST_MM:.0e} mm are read.",
                "Export the slices again, or the part without them.",
            )
    return scaled


def _slice_notes(slices: tuple[Slices, ...] | None) -> list[str]:
    if not slices:
        return []
    return [
        f"Layers are its own {sum(len(stack.low_mm) for stack in slices)} slices where it is built as it lies in the file."
    ]


def read_part(
    path: str | Path, unit: str | None, build_mm: Iterable[float], down: str = "", usual_mm: Sequence[float] = ()
) -> Mesh:
    """A mesh to be built: as ``read_mesh``, but where neither file nor user states a unit and the size is absurd, ask.

    build_mm : sides of the builds of all machines [mm]
    down : side on which it has to be built, one of ``mesh.DOWN``; '' leaves the pose free
    usual_mm : greatest sides of the parts that the lab has had: they tell what is absurdly small [mm]
    Raises a MeshError that names the likely unit and the option (it is never guessed), and for a side that is none.
    """
    if down and down not in DOWN:
        raise MeshError(
            f'"{down}" is not a side of a part.', f"Sides, by the file's axes: {', '.join(DOWN)}; z- is as it lies."
        )
    mesh = replace(read_mesh(path, unit=unit), down=down)
    if not mesh.unit_assumed:
        return mesh
    ask_unit(mesh.name, mesh.size_mm, build_mm, usual_mm)
    doubts = (small_size(mesh.size_mm, usual_mm), *(note for note in mesh.notes if note != absurd_size(mesh.size_mm)))
    return replace(mesh, notes=tuple(note for note in doubts if note))


def _bytes_of(path: Path) -> bytes:
    check_plain(path, MeshError)
    kinds = ", ".join(sorted(set(READERS.values())))
    if path.suffix.lower() not in READERS:
        raise MeshError(
            f"{path.name} is not a kind of part file that is read here.",
            f"These are read: {kinds}, known by the file's ending.",
        )
    try:
        size = path.stat().st_size
        most = MAX_BYTES if path.suffix.lower() in (".stl", ".3mf") else MAX_BYTES_BY_LIBRARY
        if size > most:
            raise MeshError(
                f"{path.name} has {size / 1024**2:.0f} MB; at most {most // 1024**2} MB are read.",
                "Export it with a coarser mesh: a tenth of a layer is fine enough.",
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise MeshError(f"{path} does not exist.", "Check the path of the part file.") from None
    except OSError as error:
        raise MeshError(f"{path} cannot be read: {error.strerror}.", "Check the path and its permissions.") from error
    if not data:
        raise MeshError(f"{path.name} is empty (0 bytes).", "Export the part again.")
    return data


def _triangles(path: Path, data: bytes) -> tuple[np.ndarray, str | None, tuple[Slices, ...] | None]:
    kind = READERS[path.suffix.lower()]
    if kind == "STL":
        return read_stl(data, path.name, MAX_FACES), None, None
    return in_child(foreign_triangles, path, kind, size=len(data), name=path.name, kind=MeshError)


def foreign_triangles(path: Path, kind: str) -> tuple[np.ndarray, str | None, tuple[Slices, ...] | None]:
    """Corners of the faces, shape (n, 3, 3), the file's unit and slices where it has them, of any kind but STL."""
    data = path.read_bytes()
    if kind == "3MF":
        return read_3mf(data, path.name, MAX_FACES)
    return read_by_library(data, path.name, kind, MAX_FACES), "mm" if kind == "STEP" else None, None


def _scale(path: Path, unit: str | None, own_unit: str | None) -> tuple[float, str, bool]:
    """Millimetres for each unit of the file, the unit's name, and whether it was only assumed."""
    if unit is None:
        return MM_PER[own_unit or "mm"], own_unit or "mm", own_unit is None
    asked = unit_named(unit)
    if own_unit is not None and asked != own_unit:
        raise MeshError(
            f"{path.name} states its own unit, {own_unit}; it cannot be read as {asked}.", "Leave out --unit."
        )
    return MM_PER[asked], asked, False


def _checked(path: Path, triangles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The triangles and their bounds, where they are lengths."""
    if len(triangles) == 0:
        raise MeshError(f"{path.name} holds no triangle.", "Export the part as a mesh.")
    bounds = bounds_mm(triangles)
    if not np.isfinite(bounds).all():
        bad = ~np.isfinite(triangles).all(axis=(1, 2))
        raise MeshError(
            f"{path.name}: triangle {int(np.argmax(bad)) + 1} has a coordinate that is not a number "
            f"({int(bad.sum())} of {len(bad)} triangles).",
            "The file is damaged: export it again.",
        )
    greatest = float(np.abs(bounds).max())
    if greatest > GREATEST_MM:
        raise MeshError(
            f"{path.name} has a coordinate of {greatest:.3g} mm; at most {GREATEST_MM:.0e} mm are read.",
            "Check the unit of the file (--unit), or move the part near the origin.",
        )
    return triangles, bounds
