"""A part in one pose as one process sees it: poses, supports and layer profiles, each computed once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from calib.geometry.mesh import Mesh
from calib.geometry.orientation import best_pose
from calib.geometry.pose import Pose
from calib.records import LayerProfile
from calib.shop.model import Machine

OVERHANG_DEG = 45.0


@dataclass(frozen=True, eq=False)
class Shape:
    """A part in one pose.

    size_mm : extent in the build [mm]; volume_cm3, area_cm2 : of one part
    support_cm3, contact_cm2 : of one part; support_thick_mm : of its thickest support [mm]
    """

    pose: Pose
    size_mm: tuple[float, float, float]
    volume_cm3: float
    area_cm2: float
    support_cm3: float
    contact_cm2: float
    support_thick_mm: float
    profile: LayerProfile


class ShapeFinder:
    """Shapes of one mesh, once for each process, size of build, overhang and layer."""

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        self._shapes: dict[tuple[Any, ...], Shape | None] = {}

    def shape(self, machine: Machine) -> Shape | None:
        """The part as it lies in this machine; None when no pose fits."""
        overhang = float(machine.params.get("overhang_deg", OVERHANG_DEG))
        layer = float(machine.params["layer_mm"])
        key = (machine.process, machine.build_mm, overhang, layer)
        if key not in self._shapes:
            pose = best_pose(self.mesh, machine.process, machine.build_mm, overhang)
            self._shapes[key] = None if pose is None else self._shape(pose, machine.process, overhang, layer)
        return self._shapes[key]

    def _shape(self, pose: Pose, process: str, overhang: float, layer: float) -> Shape:
        supports = None if process == "PBF" else pose.supports(overhang)
        x, y, z = (float(side) for side in pose.size_mm)
        return Shape(
            pose=pose,
            size_mm=(x, y, z),
            volume_cm3=self.mesh.volume_mm3 / 1000.0,
            area_cm2=self.mesh.area_mm2 / 100.0,
            support_cm3=supports.volume_cm3 if supports else 0.0,
            contact_cm2=supports.contact_cm2 if supports else 0.0,
            support_thick_mm=supports.greatest_thickness_mm if supports else 0.0,
            profile=pose.profile(layer),
        )
