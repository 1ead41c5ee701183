"""The best of a part's poses for a process."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from calib.geometry.mesh import Mesh, bounds_mm
from calib.geometry.pose import Pose
from calib.geometry.poses import find_poses
from calib.geometry.supports import NONE, Supports, find_supports

FACES_FOR_SEARCH = 6_000
LINES_FOR_SEARCH = 1_600
GAP_MM = 4.0  # between copies, where poses are compared


Cost = Callable[[np.ndarray, Supports], float]


def pose_minutes(process: str, build_mm: tuple[float, float, float]) -> Cost:
    """Minutes that a pose costs, beside what every pose costs: layers, supports, and the room that it takes.

    Common practice, no source: orders of size that rank poses, no estimate of a build. Extrusion: 0.2 mm layers of 3 s
    overhead, supports at 8 mm3/s filled to a fifth, half a minute of a person for each cm2 of contact. Resin: 0.05 mm
    layers of 8 s, contact likewise. What every layer costs is shared by the copies on a plate: half of it counts as if
    the part were alone, half as if the plate were full. Powder: 0.1 mm layers of 15 s shared by what else lies in the
    cake, so height counts less than the box.
    """

    def layers_min(size_mm: np.ndarray, layer_mm: float, layer_s: float) -> float:
        on_plate = max(float(np.prod(build_mm[:2]) / np.prod(size_mm[:2] + GAP_MM)), 1.0)
        return float(size_mm[2]) / layer_mm * layer_s / 60 * (0.5 + 0.5 / on_plate)

    def extruded(size_mm: np.ndarray, held: Supports) -> float:
        laid = held.volume_cm3 * 1000 * 0.2 / 8 / 60
        return layers_min(size_mm, 0.2, 3.0) + laid + 0.5 * held.contact_cm2

    def cured(size_mm: np.ndarray, held: Supports) -> float:
        return layers_min(size_mm, 0.05, 8.0) + 0.5 * held.contact_cm2

    def sintered(size_mm: np.ndarray, held: Supports) -> float:
        return 0.2 * size_mm[2] / 0.1 * 15 / 60 + np.prod(size_mm) / 1000 * 0.05

    return {"MEX": extruded, "VPP": cured, "PBF": sintered}[process]


def best_pose(
    mesh: Mesh, process: str, build_mm: tuple[float, float, float], overhang_deg: float, cost: Cost | None = None
) -> Pose | None:
    """The pose that fits the build and costs least for the process; None where no pose fits.

    cost : function of the size [mm] and the supports of a pose -> minutes; ``pose_minutes`` of the process if None
    """
    cost = cost or pose_minutes(process, build_mm)
    held = _held(mesh, overhang_deg) if process != "PBF" else [NONE] * len(find_poses(mesh))
    poses = [_fitted(pose, build_mm) for pose in find_poses(mesh)]
    fitting = [(cost(pose.size_mm, supports), pose) for pose, supports in zip(poses, held, strict=True) if pose]
    for _, pose in sorted(fitting, key=lambda found: found[0]):
        exact = _fitted(Pose(pose.rotation, pose.exact_size_mm(), mesh), build_mm)
        if exact is not None:
            return exact
    return None


@lru_cache(maxsize=4)
def _rough(mesh: Mesh) -> np.ndarray:
    return simplified(mesh.triangles, FACES_FOR_SEARCH)


@lru_cache(maxsize=16)
def _held(mesh: Mesh, overhang_deg: float) -> list[Supports]:
    """Supports of every pose, of the simplified part."""
    return [find_supports(_rough(mesh) @ pose.rotation.T, overhang_deg, LINES_FOR_SEARCH) for pose in find_poses(mesh)]


def _fitted(pose: Pose, build_mm: tuple[float, float, float]) -> Pose | None:
    """The pose, or the pose a quarter turn round, where it fits the build."""
    room = np.asarray(build_mm) + 1e-9
    if (pose.size_mm <= room).all():
        return pose
    if (pose.size_mm[[1, 0, 2]] <= room).all():
        quarter = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
        return Pose(quarter @ pose.rotation, pose.size_mm[[1, 0, 2]], pose.mesh)
    return None


def simplified(triangles: np.ndarray, faces: int) -> np.ndarray:
    """About ``faces`` triangles of the same shape, still closed: corners of one cell of a grid become one."""
    if len(triangles) <= faces:
        return triangles
    points = triangles.reshape(-1, 3)
    low, high = bounds_mm(triangles)
    cells = int(np.sqrt(faces / 8)) + 1  # a surface meets some 2 cells^2 to 4 cells^2 cells
    at = np.minimum(((points - low) * (cells / (high - low).max())).astype(np.int32), cells - 1)
    number = (at[:, 0] * cells + at[:, 1]) * cells + at[:, 2]
    counts = np.maximum(np.bincount(number, minlength=cells**3), 1)
    middle = np.stack([np.bincount(number, points[:, i], cells**3) / counts for i in range(3)], axis=1)
    a, b, c = number.reshape(-1, 3).T
    return middle[number.reshape(-1, 3)[(a != b) & (b != c) & (c != a)]]
