"""The poses of a part that a machine can build."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from calib.geometry.mesh import Mesh, bounds_mm
from calib.geometry.poses import Pose, find_poses
from calib.geometry.solid_kernel import hull_of
from calib.geometry.standing import Underside, undersides
from calib.geometry.supports import NONE, Supports, find_supports

FACES_FOR_SEARCH = 6_000
RAYS_FOR_SEARCH = 1_600
ASKEW_DEG = (90, *(side * turn for turn in range(1, 46) for side in (1, -1)), *range(46, 90))

Room = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Candidate:
    """A pose that a machine can build.

    supports : by a quick look: what the part itself takes of the space under it is measured roughly
    brim : it holds to the plate only with a brim or raft; rafted : too little of it lies on the plate: a raft carries it
    """

    pose: Pose
    supports: Supports
    brim: bool = False
    rafted: bool = False


def candidates(mesh: Mesh, process: str, room_mm: Room, overhang_deg: float) -> list[Candidate]:
    """Poses that fit and, in extrusion, stand; where no pose stands, all that fit, on a raft.

    room_mm : x, y, z of the build without its margins [mm]
    """
    fitting = [
        (pose, place) for place, candidate in enumerate(find_poses(mesh)) if (pose := fitted(candidate, room_mm))
    ]
    if process == "PBF" or not fitting:
        return [Candidate(pose, NONE) for pose, _ in fitting]
    held, under = _held(mesh, overhang_deg), _undersides(mesh, overhang_deg)
    if process == "VPP":
        return [Candidate(pose, held[place]) for pose, place in fitting]
    standing = [
        Candidate(pose, held[place], under[place].wants_brim(pose.size_mm[2]))
        for pose, place in fitting
        if under[place].stands(pose.size_mm[2])
    ]
    return standing or [Candidate(pose, held[place], rafted=True) for pose, place in fitting]


@lru_cache(maxsize=4)
def _rough(mesh: Mesh) -> np.ndarray:
    return simplified(mesh.triangles, FACES_FOR_SEARCH)


@lru_cache(maxsize=16)
def _undersides(mesh: Mesh, overhang_deg: float) -> list[Underside]:
    return undersides(mesh, find_poses(mesh), overhang_deg, _rough(mesh))


@lru_cache(maxsize=16)
def _held(mesh: Mesh, overhang_deg: float) -> list[Supports]:
    """Supports of every pose: their surface is exact; how much of the space is free is that of the simplified part."""
    both = zip(find_poses(mesh), _undersides(mesh, overhang_deg), strict=True)
    return [_supports(_rough(mesh) @ pose.rotation.T, under, overhang_deg) for pose, under in both]


def _supports(rough: np.ndarray, under: Underside, overhang_deg: float) -> Supports:
    if under.overhang_mm2 == 0:
        return NONE
    rough_supports = find_supports(rough, overhang_deg, RAYS_FOR_SEARCH)
    touched = rough_supports.contact_cm2 / rough_supports.downward_cm2 if rough_supports.downward_cm2 > 0 else 1.0
    downward = under.overhang_mm2 / 100
    volume = under.under_mm3 / 1000 * rough_supports.free_share
    return Supports(
        volume, downward * touched, downward, rough_supports.greatest_thickness_mm, rough_supports.free_share
    )


def fitted(pose: Pose, room_mm: Room) -> Pose | None:
    """The pose where it fits: as it is, a quarter turn round, or as little askew as will do."""
    room = np.asarray(room_mm) + 1e-9
    if pose.size_mm[2] > room[2]:
        return None
    if (pose.size_mm <= room).all():
        return pose
    if pose.size_mm[:2].max() > np.hypot(*room[:2]):
        return None
    corners = hull_of(pose.mesh)[0] @ pose.rotation.T
    ways = (pose.turned(degrees, corners) for degrees in ASKEW_DEG)
    return next((turned for turned in ways if (turned.size_mm <= room).all()), None)


def simplified(triangles: np.ndarray, faces: int) -> np.ndarray:
    """About ``faces`` triangles of the same shape, still closed: corners of one cell of a grid become one."""
    if len(triangles) <= faces:
        return triangles
    points = triangles.reshape(-1, 3)
    low, high = bounds_mm(triangles)
    cells = int(np.sqrt(faces / 8)) + 1  # a surface meets some 2 cells^2 to 4 cells^2 cells
    cell = np.minimum(((points - low) * (cells / (high - low).max())).astype(np.int32), cells - 1)
    number = (cell[:, 0] * cells + cell[:, 1]) * cells + cell[:, 2]
    counts = np.maximum(np.bincount(number, minlength=cells**3), 1)
    middle = np.stack([np.bincount(number, points[:, i], cells**3) / counts for i in range(3)], axis=1)
    a, b, c = number.reshape(-1, 3).T
    rough: np.ndarray = middle[number.reshape(-1, 3)[(a != b) & (b != c) & (c != a)]]
    return rough
