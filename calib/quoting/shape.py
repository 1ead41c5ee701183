"""A part in one pose as one machine builds it: supports, raft and layers, each reckoned when it is first asked for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from calib.geometry.hollows import enclosed, find_hollows
from calib.geometry.mesh import Mesh
from calib.geometry.orientation import Candidate, candidates
from calib.geometry.outline import outline
from calib.geometry.poses import Pose
from calib.geometry.supports import NONE, Supports
from calib.quoting.nesting import room_mm
from calib.records import Enclosed, LayerProfile
from calib.shop.model import Machine

OVERHANG_DEG = 45.0


@dataclass(frozen=True, eq=False)
class Shape:
    """A part in one pose; what depends on supports or layers is exact, and reckoned once for all machines alike.

    overhang_deg, layer_mm, brim_mm, support_share : of the machine; the last is what supports fill of their space
    """

    candidate: Candidate
    process: str
    overhang_deg: float
    layer_mm: float
    brim_mm: float
    support_share: float

    @property
    def pose(self) -> Pose:
        return self.candidate.pose

    @property
    def size_mm(self) -> tuple[float, float, float]:
        """Extent in the build, without what carries it [mm]."""
        x, y, z = (float(side) for side in self.pose.size_mm)
        return x, y, z

    @property
    def volume_cm3(self) -> float:
        return self.pose.mesh.volume_mm3 / 1000.0

    @property
    def area_cm2(self) -> float:
        return self.pose.mesh.area_mm2 / 100.0

    @property
    def rafted(self) -> bool:
        """Whether a raft carries it: what hangs on supports in resin, what cannot stand in extrusion."""
        return self.candidate.rafted or (self.process == "VPP" and bool(self.candidate.supports.contact_cm2 > 0))

    @cached_property
    def supports(self) -> Supports:
        return NONE if self.process == "PBF" else self.pose.supports(self.overhang_deg)

    @cached_property
    def profile(self) -> LayerProfile:
        profile = self.pose.profile(self.layer_mm)
        if self.process == "PBF":
            return profile
        sections = self.supports.sections_mm2(self.layer_mm, len(profile.z_mm))
        sections[0] += self._brim_space_mm3 / self.layer_mm
        return replace(profile, support_mm2=sections)

    @property
    def support_cm3(self) -> float:
        """Space of the supports of one part; a brim counts as the support that lays as much [cm3]."""
        return self.supports.volume_cm3 + self._brim_space_mm3 / 1000.0

    @property
    def contact_cm2(self) -> float:
        """Where supports touch it, and a brim the side of its first layer [cm2]."""
        side = self._rim_mm * self.layer_mm / 100.0 if self.candidate.brim else 0.0
        return self.supports.contact_cm2 + side

    @property
    def held(self) -> bool:
        """Whether supports or a brim have to come off; known without reckoning them."""
        return self.candidate.brim or bool(self.candidate.supports.contact_cm2 > 0)

    @property
    def support_thick_mm(self) -> float:
        return self.supports.greatest_thickness_mm

    @cached_property
    def enclosed(self) -> Enclosed:
        """Its hollows; what they hold as it is built is of interest for resin alone."""
        return enclosed(find_hollows(self.pose.mesh), self.pose.rotation[2] if self.process == "VPP" else None)

    @property
    def _rim_mm(self) -> float:
        return float(self.pose.profile(self.layer_mm).perimeter_mm[0])

    @property
    def _brim_space_mm3(self) -> float:
        return self._rim_mm * self.brim_mm * self.layer_mm / self.support_share if self.candidate.brim else 0.0


class ShapeFinder:
    """Shapes of one mesh, once for each process, room, overhang and layer; and what ``posing`` has found of them by shop."""

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        self._candidates: dict[tuple[Any, ...], list[Candidate]] = {}
        self._shapes: dict[tuple[Any, ...], Shape] = {}
        self.shortlists: dict[tuple[Any, ...], list[tuple[Shape, int]]] = {}
        self.estimates: dict[tuple[Any, ...], dict[tuple[Shape, int], float]] = {}

    @cached_property
    def views(self) -> dict[str, Any]:
        """Three views of the part as it lies in its file (see ``outline``)."""
        return outline(self.mesh.triangles, self.mesh.twins)

    def shapes(self, machine: Machine) -> list[Shape]:
        """The part in every pose that this machine can build; empty when none fits."""
        overhang = float(machine.params.get("overhang_deg", OVERHANG_DEG))
        room = room_mm(machine)
        key = (machine.process, room, overhang)
        if key not in self._candidates:
            self._candidates[key] = candidates(self.mesh, machine.process, room, overhang)
        return [self._shape(candidate, machine, overhang) for candidate in self._candidates[key]]

    def _shape(self, candidate: Candidate, machine: Machine, overhang: float) -> Shape:
        p = machine.params
        facts = (overhang, p["layer_mm"], p.get("brim_mm", 0.0), p.get("support_density_share", 1.0))
        key = (machine.process, candidate.pose.rotation.tobytes(), candidate.brim, candidate.rafted, *facts)
        if key not in self._shapes:
            self._shapes[key] = Shape(candidate, machine.process, *facts)
        return self._shapes[key]


MOST_KEPT = 4  # parts whose shapes are at hand for the next question about them
_KEPT: dict[tuple[str, ...], ShapeFinder] = {}


def shapes_of(mesh: Mesh) -> ShapeFinder:
    """The shapes of a mesh; of one with the same content that was asked about lately the same object."""
    key = (mesh.sha256, mesh.name, mesh.unit, mesh.down)
    finder = _KEPT.pop(key, None) or ShapeFinder(mesh)
    _KEPT[key] = finder
    for oldest in list(_KEPT)[:-MOST_KEPT]:
        _KEPT.pop(oldest, None)
    return finder
