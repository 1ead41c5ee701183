"""A part -> the poses it could be built in, and what each then looks like."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np

from calib.geometry.layer_profile import layer_profile
from calib.geometry.mesh import DOWN, Mesh, bounds_mm, normals_mm2, volumes_mm3
from calib.geometry.slices import of_slices
from calib.geometry.solid_kernel import flat_hull, hull_of
from calib.geometry.supports import Supports, find_supports
from calib.records import LayerProfile

STRAIGHT = np.cos(np.deg2rad(0.5))  # nearer to an axis than half a degree is on that side
KEPT = 32  # profiles and supports of one part that are kept
_kept: WeakKeyDictionary[Mesh, OrderedDict[tuple[Any, ...], Any]] = WeakKeyDictionary()
POSES = 24
NOT_FACES = 6  # of these places are kept for sides of the box and axes
SAME_FACE = np.cos(np.deg2rad(0.5))  # facets within half a degree of the largest one of a face are that face
FLAT_FACE = np.cos(np.deg2rad(0.05))  # its normal is the mean of those within a twentieth
SAME_POSE = np.cos(np.deg2rad(2.0))  # a direction within two degrees of a better one is dropped
SAME_AXIS = 0.01  # of the largest moment: axes whose moments differ by less have no direction of their own
SAME_AREA = 1e-6  # of the smallest box: turns with a box larger by less are as good
NEAR_MM = 0.01  # faces this near the plate lie on it
_FACETS = 500  # of many facets so many, the largest, are looked at
_LARGEST = 60  # and so many faces of them


@dataclass(frozen=True, eq=False)
class Pose:
    """``rotation`` (3 x 3, of columns) and the size that the part then has, x, y, z [mm]."""

    rotation: np.ndarray
    size_mm: np.ndarray
    mesh: Mesh

    def triangles(self) -> np.ndarray:
        """The part's triangles in this pose, its lowest corner of x, y and z at 0; shape (n, 3, 3) [mm]."""
        turned = self.mesh.triangles @ self.rotation.T
        placed: np.ndarray = turned - bounds_mm(turned)[0]
        return placed

    def profile(self, layer_mm: float) -> LayerProfile:
        """Its layers; machines that build it alike share one profile."""
        profile: LayerProfile = self._once(("profile", layer_mm), lambda: self._layers(layer_mm))
        return profile

    def _layers(self, layer_mm: float) -> LayerProfile:
        profile = layer_profile(self.triangles(), layer_mm, topology=self.mesh.topology)
        return of_slices(profile, self.mesh.slices, float(self.mesh.bounds_mm[0, 2]), self.rotation)

    def supports(self, overhang_deg: float) -> Supports:
        """What holds it up; shared likewise."""
        supports: Supports = self._once(
            ("supports", overhang_deg), lambda: find_supports(self.triangles(), overhang_deg)
        )
        return supports

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

    def _once(self, what: tuple[Any, ...], compute: Callable[[], Any]) -> Any:
        kept = _kept.setdefault(self.mesh, OrderedDict())
        key = (self.rotation.tobytes(), *what)
        if key not in kept:
            kept[key] = compute()
            if len(kept) > KEPT:
                kept.popitem(last=False)
        return kept[key]


@lru_cache(maxsize=4)
def find_poses(mesh: Mesh, count: int = POSES) -> tuple[Pose, ...]:
    """Up to ``count`` poses: on its own flat faces and those of its hull, largest first, on the sides of its smallest
    box, on its principal axes.

    Each is turned about the upright so that its box over the plate is the smallest. The poses depend on the solid
    alone: not on how the file is turned, nor into how many triangles it is cut. Sizes are those of the hull's corners.
    Remembered: the poses are the same for every process and machine. Where ``mesh.down`` fixes the side, only poses on
    that side.
    """
    points, facets = hull_of(mesh)
    if mesh.down:
        return tuple(_on_side(np.array(DOWN[mesh.down], float), points, mesh))
    own, of_hull = _own_faces(mesh, points), _hull_faces(facets)
    faces = _distinct(np.concatenate([own[: count // 3], of_hull]), max(count - NOT_FACES, 1))
    on_faces = [_posed(down, points, mesh) for down in faces]
    sides = min(on_faces, key=_box_mm3).rotation if on_faces else np.zeros((0, 3))
    downs = _distinct(np.concatenate([faces, sides, -sides, _axes(mesh.triangles)]), count)
    others = [_posed(down, points, mesh) for down in downs[len(faces) :]]
    return (*on_faces, *others) or (Pose(np.eye(3), mesh.size_mm, mesh),)


def _on_side(down: np.ndarray, points: np.ndarray, mesh: Mesh) -> list[Pose]:
    turned = _turn_down(down)
    return [Pose(turned, np.ptp(points @ turned.T, axis=0), mesh), _posed(down, points, mesh)]


def _posed(down: np.ndarray, points: np.ndarray, mesh: Mesh) -> Pose:
    turned = _turn_down(down)
    rotation = _smallest_box(points @ turned.T) @ turned
    return Pose(rotation, np.ptp(np.ascontiguousarray((points @ rotation.T).T), axis=1), mesh)


def _box_mm3(pose: Pose) -> float:
    return float(f"{np.prod(pose.size_mm):.6g}")


def _hull_faces(facets: np.ndarray) -> np.ndarray:
    """Outward normals of the hull's faces, triangles of one face together, the largest first; shape (k, 3)."""
    normal = np.cross(facets[:, 1] - facets[:, 0], facets[:, 2] - facets[:, 0])
    outwards = np.einsum("ij,ij->i", normal, facets[:, 0] - facets.reshape(-1, 3).mean(axis=0))
    return _by_area(normal * np.where(outwards < 0, -1.0, 1.0)[:, None])


def _own_faces(mesh: Mesh, points: np.ndarray) -> np.ndarray:
    """Outward normals of flat faces of the part itself on which it can lie, the largest first; shape (k, 3)."""
    normals = normals_mm2(mesh.triangles)
    unit = normals / np.maximum(np.sqrt((normals**2).sum(axis=0)), 1e-300)
    _, cell = np.unique(np.array([1, 1000, 1_000_000]) @ np.round(100 * unit).astype(np.int64), return_inverse=True)
    sums = np.stack([np.bincount(cell, component) for component in normals], axis=1)
    largest = np.argsort(-np.linalg.norm(sums, axis=1), kind="stable")[:_FACETS]
    ways = sums[largest] / np.maximum(np.linalg.norm(sums[largest], axis=1), 1e-300)[:, None]
    rim = np.full(len(sums), np.inf)  # how far the part reaches in the direction of each cell's faces
    rim[largest] = [(way @ points.T).max() for way in ways]  # one by one they stay in the processor's own memory
    lies = np.einsum("ij,ij->j", unit, mesh.triangles.mean(axis=1).T) > rim[cell] - NEAR_MM
    return _by_area(np.stack([np.bincount(cell[lies], component[lies]) for component in normals], axis=1))


def _by_area(normals: np.ndarray) -> np.ndarray:
    """Unit directions of faces, those of nearly one direction together, the largest first; normals as long as areas."""
    area = np.linalg.norm(normals, axis=1)
    largest = np.argsort(-area, kind="stable")[:_FACETS]
    largest = largest[area[largest] > 0]
    if not len(largest):
        return np.zeros((0, 3))
    area, normals = area[largest], normals[largest]
    unit = normals / area[:, None]
    near = unit @ unit.T
    whole = (near > SAME_FACE) @ area
    faces = (near > FLAT_FACE) @ normals
    faces /= np.linalg.norm(faces, axis=1)[:, None]
    faces = faces[np.argsort(-np.round(whole / whole.max(), 6), kind="stable")]
    return _distinct(faces, _LARGEST)


def _axes(triangles: np.ndarray) -> np.ndarray:
    """Principal axes of the solid that have a direction of their own, both ways; shape (k, 3)."""
    moments, axes = np.linalg.eigh(second_moments(triangles))
    apart = np.abs(moments[:, None] - moments) + np.diag([np.inf] * 3) > SAME_AXIS * moments[-1]
    own = axes.T[apart.all(axis=1)]
    return np.concatenate([own, -own])


def second_moments(triangles: np.ndarray) -> np.ndarray:
    r"""Spread of a solid about its centre of mass, shape (3, 3) [mm5].

    .. math::  S = \sum_i \frac{V_i}{20} \left(\sum_j r_{ij} r_{ij}^T + s_i s_i^T\right), \quad s_i = \sum_j r_{ij}

    over the tetrahedra of volume V between each triangle, shape (n, 3, 3), and the centre (mass integrals of a
    polyhedron; the products of a simplex's corners: standard, checked against a box in the tests).
    """
    rays = triangles - centre_mm(triangles)
    volume = volumes_mm3(rays, about=np.zeros(3)) / 20
    whole = rays.sum(axis=1)
    corners = np.einsum("i,ija,ijb->ab", volume, rays, rays, optimize=True)
    return np.asarray(corners + np.einsum("i,ia,ib->ab", volume, whole, whole, optimize=True))


def centre_mm(triangles: np.ndarray) -> np.ndarray:
    """Centre of mass of a closed solid, shape (3,) [mm]; the middle of its corners where it encloses nothing."""
    middle: np.ndarray = triangles.reshape(-1, 3).mean(axis=0)
    volume = volumes_mm3(triangles, about=middle)
    if not volume.sum() > 0:
        return middle
    return np.asarray(middle + volume @ (triangles - middle).sum(axis=1) / (4 * volume.sum()))


def _distinct(directions: np.ndarray, most: int) -> np.ndarray:
    """The first ``most`` directions without those within some 2 degrees of an earlier one."""
    kept = np.zeros((0, 3))
    for direction in directions:
        if len(kept) == most:
            break
        if not (kept @ direction > SAME_POSE).any():
            kept = np.vstack([kept, direction])
    return kept


def _turn_down(down: np.ndarray) -> np.ndarray:
    """A rotation that turns a unit vector to (0, 0, -1)."""
    target = np.array([0.0, 0.0, -1.0])
    axis, cosine = np.cross(down, target), float(down @ target)
    if cosine < -1 + 1e-12:
        return np.diag([1.0, -1.0, -1.0])
    skew = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    rotation: np.ndarray = np.eye(3) + skew + skew @ skew / (1 + cosine)
    return rotation


def _smallest_box(points: np.ndarray) -> np.ndarray:
    """The turn about the upright with the smallest box over the plate, longer along x; of equal ones the squarest.

    A side of the smallest rectangle lies along an edge of the hull (Freeman and Shapira 1975, from memory).
    """
    corners = flat_hull(points[:, :2])
    edges = np.roll(corners, -1, axis=0) - corners
    long = np.hypot(edges[:, 0], edges[:, 1])
    ways = edges[long > 1e-6 * long.max(initial=0.0)] if long.any() else np.array([[1.0, 0.0]])
    cosine, sine = (ways / np.hypot(ways[:, 0], ways[:, 1])[:, None]).T
    length = np.ptp(np.outer(cosine, corners[:, 0]) + np.outer(sine, corners[:, 1]), axis=1)
    width = np.ptp(np.outer(cosine, corners[:, 1]) - np.outer(sine, corners[:, 0]), axis=1)
    area = length * width
    longest = np.where(area <= area.min() * (1 + SAME_AREA), np.maximum(length, width), np.inf)
    best = int(np.argmin(longest))
    c, s = cosine[best], -sine[best]
    if width[best] > length[best]:
        c, s = -s, c
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
