"""One way to lay a part, and what it then looks like; each thing is reckoned once."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np

from calib.geometry.layer_profile import layer_profile
from calib.geometry.mesh import DOWN, Mesh, bounds_mm
from calib.geometry.slices import of_slices
from calib.geometry.supports import Supports, find_supports
from calib.records import LayerProfile

STRAIGHT = np.cos(np.deg2rad(0.5))  # nearer to an axis than half a degree is on that side
KEPT = 32  # profiles and supports of one part that are kept
_kept: WeakKeyDictionary[Mesh, OrderedDict[tuple[Any, ...], Any]] = WeakKeyDictionary()


@dataclass(frozen=True, eq=False)
class Pose:
    """``rotation`` (3 x 3, of columns) and the size that the part then has, x, y, z [mm]."""

    rotation: np.ndarray
    size_mm: np.ndarray
    mesh: Mesh

    def triangles(self) -> np.ndarray:
        """The part's triangles in this pose, its lowest corner of x, y and z at 0; shape (n, 3, 3) [mm]."""
        turned = self.mesh.triangles @ self.rotation.T
        return turned - bounds_mm(turned)[0]

    def profile(self, layer_mm: float) -> LayerProfile:
        """Its layers; machines that build it alike share one profile."""
        return self._once(("profile", layer_mm), lambda: self._layers(layer_mm))

    def _layers(self, layer_mm: float) -> LayerProfile:
        found = layer_profile(self.triangles(), layer_mm, topology=self.mesh.topology)
        return of_slices(found, self.mesh.slices, float(self.mesh.bounds_mm[0, 2]), self.rotation)

    def supports(self, overhang_deg: float) -> Supports:
        """What holds it up; shared likewise."""
        return self._once(("supports", overhang_deg), lambda: find_supports(self.triangles(), overhang_deg))

    def turned(self, degrees: float, corners: np.ndarray) -> Pose:
        """Turned about the upright; corners : of the hull in this pose, shape (m, 3) [mm]."""
        cosine, sine = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
        turn = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
        return Pose(turn @ self.rotation, np.ptp(corners @ turn.T, axis=0), self.mesh)

    def words(self) -> str:
        """Which side lies down, by the file's axes."""
        x, y, z = down = self.rotation.T @ [0.0, 0.0, -1.0]
        side = next((name for name, axis in DOWN.items() if down @ axis > STRAIGHT), None)
        if side is None:
            return f"tilted, the file's ({x:.2f}, {y:.2f}, {z:.2f}) down"
        return "as it lies in the file" if side == "z-" else f"on the file's {side} side"

    def _once(self, what: tuple[Any, ...], reckon: Callable[[], Any]) -> Any:
        kept = _kept.setdefault(self.mesh, OrderedDict())
        key = (self.rotation.tobytes(), *what)
        if key not in kept:
            kept[key] = reckon()
            if len(kept) > KEPT:
                kept.popitem(last=False)
        return kept[key]
