"""What lies in builds, as the columns that the physics takes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from calib.quoting.nesting import Build, Contents, side_by_side
from calib.quoting.options import Option
from calib.quoting.shape import Shape
from calib.records import DIFFICULTIES, FINISHES, LayerProfile
from calib.shop.model import Machine


def build_columns(option: Option, builds: Sequence[Build], shop_machines: dict[str, Machine]) -> dict[str, Any]:
    """The contract's columns of ``builds``, one row each; of several parts in one, the hardest and most finished."""
    rows = [_row(option, build, shop_machines[build.machine]) for build in builds]
    return {name: _array([row[name] for row in rows]) for name in rows[0]}


def _row(option: Option, build: Build, machine: Machine) -> dict[str, Any]:
    inside = [(option.pieces[at], copies) for at, copies in build.contents]
    first, height = inside[0][0], build_height_mm(option, build.contents, machine)

    def whole(name: str) -> float:
        return sum(copies * float(getattr(piece.shape, name)) for piece, copies in inside)

    bed_cm2 = machine.build_mm[0] * machine.build_mm[1] / 100.0
    return {
        "process": first.process,
        "machine": machine.id,
        "material": first.material,
        "finish": max((piece.finish for piece, _ in inside), key=FINISHES.index),
        "difficulty": max((piece.difficulty for piece, _ in inside), key=DIFFICULTIES.index),
        "parts": float(build.parts),
        "part_volume_cm3": whole("volume_cm3"),
        "part_area_cm2": whole("area_cm2"),
        "support_volume_cm3": whole("support_cm3"),
        "support_contact_cm2": whole("contact_cm2"),
        "support_thickness_mm": max(piece.shape.support_thick_mm for piece, _ in inside),
        "height_mm": height,
        "plate_height_mm": height,
        "packed_volume_cm3": height / 10.0 * bed_cm2 if first.process == "PBF" else np.nan,
        "profile": _profile(option, build.contents),
    }


def build_height_mm(option: Option, contents: Contents, machine: Machine) -> float:
    """Height of a build: its highest part, or for a powder cake as many layers of parts as are needed [mm]."""
    shapes = [(option.pieces[at].shape, copies) for at, copies in contents]
    if machine.process != "PBF":
        return max(shape.size_mm[2] for shape, _ in shapes)
    gap, wall = machine.params["gap_mm"], machine.params["wall_mm"]
    layers = sum(_layers(shape, copies, machine, gap, wall) * (shape.size_mm[2] + gap) for shape, copies in shapes)
    packed = sum(copies * shape.volume_cm3 * 1000.0 for shape, copies in shapes) / machine.params["packing_limit"]
    return float(min(max(layers, packed / (machine.build_mm[0] * machine.build_mm[1])), machine.build_mm[2]))


def _layers(shape: Shape, copies: int, machine: Machine, gap: float, wall: float) -> int:
    return -(-copies // max(1, side_by_side(shape.size_mm, machine.build_mm, gap, wall)))


def _profile(option: Option, contents: Contents) -> LayerProfile:
    profiles = tuple(option.pieces[at].shape.profile for at, _ in contents)
    return profiles[0] if len(profiles) == 1 else mean_profile(profiles, tuple(copies for _, copies in contents))


@lru_cache(maxsize=256)
def mean_profile(profiles: tuple[LayerProfile, ...], copies: tuple[int, ...]) -> LayerProfile:
    """The profile of which so many copies, all together, are these parts side by side."""
    layers = max(len(profile.z_mm) for profile in profiles)
    share = np.array(copies) / sum(copies)

    def mean(name: str) -> np.ndarray:
        padded = [_padded(np.asarray(getattr(profile, name), float), layers) for profile in profiles]
        return np.asarray(np.tensordot(share, np.array(padded), axes=1))

    tallest = max(profiles, key=lambda profile: len(profile.z_mm))
    means = {name: mean(name) for name in MEANT}
    return LayerProfile(tallest.layer_mm, tallest.z_mm, angles_deg=tallest.angles_deg, **means)


MEANT = ("area_mm2", "perimeter_mm", "contours", "segments", "corners", "up_skin_mm2", "down_skin_mm2", "line_width_mm")


def _padded(values: np.ndarray, layers: int) -> np.ndarray:
    return np.concatenate([values, np.zeros((layers - len(values), *values.shape[1:]))])


def _array(values: list[Any]) -> np.ndarray:
    if isinstance(values[0], float):
        return np.array(values)
    made = np.empty(len(values), object)
    made[:] = values
    return made
