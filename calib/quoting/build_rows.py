"""What lies in builds, as the columns that the physics takes and as rows of a plan."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import groupby
from typing import Any, Protocol, cast

import numpy as np

from calib.documents.quote import PlannedBuilds
from calib.quoting.nesting import Build, Contents, Posed, nested
from calib.quoting.options import Option
from calib.records import DIFFICULTIES, FINISHES, Enclosed, LayerProfile
from calib.shop.model import Machine, Shop


class Measured(Posed, Protocol):
    """A part in its pose with its surface and supports."""

    @property
    def area_cm2(self) -> float: ...

    @property
    def support_cm3(self) -> float: ...

    @property
    def contact_cm2(self) -> float: ...

    @property
    def support_thick_mm(self) -> float: ...

    @property
    def enclosed(self) -> Enclosed: ...


def build_columns(option: Option, builds: Sequence[Build], shop_machines: dict[str, Machine]) -> dict[str, Any]:
    """The columns of ``builds`` (docs/interface.md), one row each; of several parts in one, the hardest and most finished."""
    rows = [_build_row(option, build, shop_machines[build.machine]) for build in builds]
    return {name: _array([row[name] for row in rows]) for name in rows[0]}


def _build_row(option: Option, build: Build, machine: Machine) -> dict[str, Any]:
    inside = [(option.pieces[piece], copies) for piece, copies in build.contents]
    first = inside[0][0]
    return {
        "process": first.process,
        "machine": machine.id,
        "material": first.material,
        "finish": max((piece.finish for piece, _ in inside), key=FINISHES.index),
        "difficulty": max((piece.difficulty for piece, _ in inside), key=DIFFICULTIES.index),
        "parts": float(build.parts),
        **parts_columns(machine, [(piece.shape, copies) for piece, copies in inside]),
        "profile": _profile(option, build.contents),
    }


def parts_columns(machine: Machine, inside: Sequence[tuple[Measured, int]]) -> dict[str, float]:
    """What parts in their poses make of a build's row, whether it is quoted or was logged: geometry as it is nested."""
    nest = nested(machine, inside)

    def whole(name: str) -> float:
        return sum(copies * float(getattr(part, name)) for part, copies in inside)

    return {
        "part_volume_cm3": whole("volume_cm3"),
        "part_area_cm2": whole("area_cm2"),
        "support_volume_cm3": whole("support_cm3"),
        "support_contact_cm2": whole("contact_cm2"),
        "support_thickness_mm": max(part.support_thick_mm for part, _ in inside),
        "height_mm": nest.height_mm,
        "packed_volume_cm3": nest.cake_cm3 or np.nan,
        **_enclosed_columns(machine, [(part.enclosed, copies) for part, copies in inside]),
    }


def _enclosed_columns(machine: Machine, inside: Sequence[tuple[Enclosed, int]]) -> dict[str, float]:
    """Hollows of all parts; of openings those that drain last. Resin under a mask hangs from the plate."""
    slowest = max((enclosed for enclosed, _ in inside), key=_slowness)
    hollow = sum(copies * enclosed.hollow_cm3 for enclosed, copies in inside)
    by_width = sum(
        copies * enclosed.hollow_cm3 / enclosed.hollow_opening_mm for enclosed, copies in inside if enclosed.hollow_cm3
    )
    held = "held_hanging_cm3" if machine.kind == "masked" else "held_standing_cm3"
    return {
        "sealed_volume_cm3": sum(copies * enclosed.sealed_cm3 for enclosed, copies in inside),
        "hollow_volume_cm3": hollow,
        "hollow_opening_mm": hollow / by_width if by_width else np.nan,
        "drain_volume_cm3": slowest.drain_cm3,
        "drain_opening_mm": slowest.drain_opening_mm,
        "drain_opening_mm2": slowest.drain_opening_mm2,
        "held_volume_cm3": sum(copies * float(getattr(enclosed, held)) for enclosed, copies in inside),
        "narrow_volume_cm3": sum(copies * enclosed.narrow_cm3 for enclosed, copies in inside),
    }


def _slowness(enclosed: Enclosed) -> float:
    return enclosed.drain_cm3 / (enclosed.drain_opening_mm * enclosed.drain_opening_mm2) if enclosed.drain_cm3 else 0.0


def _profile(option: Option, contents: Contents) -> LayerProfile:
    profiles = tuple(option.pieces[piece].shape.profile for piece, _ in contents)
    return profiles[0] if len(profiles) == 1 else mean_profile(profiles, tuple(copies for _, copies in contents))


@lru_cache(maxsize=256)
def mean_profile(profiles: tuple[LayerProfile, ...], copies: tuple[int, ...]) -> LayerProfile:
    """The profile of which so many copies, all together, are these parts side by side."""
    layers = max(len(profile.z_mm) for profile in profiles)
    share = np.array(copies) / sum(copies)

    def mean(name: str) -> np.ndarray:
        of_parts = [getattr(profile, name) for profile in profiles]
        padded = [_padded(np.zeros(1) if values is None else np.asarray(values, float), layers) for values in of_parts]
        return np.asarray(np.tensordot(share, np.array(padded), axes=1))

    tallest = max(profiles, key=lambda profile: len(profile.z_mm))
    means = {name: mean(name) for name in MEANT}
    return LayerProfile(tallest.layer_mm, tallest.z_mm, angles_deg=tallest.angles_deg, **means)


MEANT = (
    "area_mm2",
    "perimeter_mm",
    "contours",
    "segments",
    "corners",
    "up_skin_mm2",
    "down_skin_mm2",
    "line_width_mm",
    "support_mm2",
)


def _padded(values: np.ndarray, layers: int) -> np.ndarray:
    return np.concatenate([values, np.zeros((layers - len(values), *values.shape[1:]))])


def _array(values: list[Any]) -> np.ndarray:
    if isinstance(values[0], float):
        return np.array(values)
    made = np.empty(len(values), object)
    made[:] = values
    return made


KEPT = (
    "process", "machine", "material", "finish", "difficulty", "parts", "part_volume_cm3", "part_area_cm2",
    "support_volume_cm3", "support_contact_cm2", "height_mm", "packed_volume_cm3",
)  # fmt: skip


def planned_builds(option: Option, shop: Shop) -> list[PlannedBuilds]:
    """The option's builds as rows of a ``builds`` file (docs/interface.md), in order of work."""
    return [_planned_row(option, shop, build, len(list(alike))) for build, alike in groupby(option.builds)]


def _planned_row(option: Option, shop: Shop, build: Build, alike: int) -> PlannedBuilds:
    columns = build_columns(option, [build], shop.machines)
    items = [(option.pieces[piece].name, copies) for piece, copies in build.contents]
    holds = {"part_file": items[0][0]} if len(items) == 1 else {"part_file": None, "items": items}
    return cast(PlannedBuilds, {"builds": alike, **holds, **{name: _plain(columns[name][0]) for name in KEPT}})


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return value
    number = float(value)
    return round(number, 4) if number == number else None
