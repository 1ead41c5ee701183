"""Layers and poses: our sweep beside a mesh library's sections and a boolean kernel's slices, in one process."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np


def seconds(work: Callable[[], object], times: int = 3) -> float:
    """Best of several."""
    spent = []
    for _ in range(times):
        begin = time.perf_counter()
        work()
        spent.append(time.perf_counter() - begin)
    return min(spent)


def crumpled(faces_wanted: int) -> np.ndarray:
    """An irregular closed surface with about so many faces, shape (n, 3, 3) [mm]."""
    rows = int(np.sqrt(faces_wanted / 2))
    turn, up = np.meshgrid(np.linspace(0, 2 * np.pi, rows + 1), np.linspace(0, np.pi, rows + 1), indexing="ij")
    points = 30 * np.stack([np.sin(up) * np.cos(turn), np.sin(up) * np.sin(turn), np.cos(up)], axis=-1)
    points[-1] = points[0]
    points[:, 0], points[:, -1] = (0, 0, 30), (0, 0, -30)
    points += 2 * np.sin(0.4 * points[..., [1, 2, 0]])
    a, b, c, d = points[:-1, :-1], points[1:, :-1], points[1:, 1:], points[:-1, 1:]
    return np.concatenate([np.stack([a, d, c], axis=-2)[:, :-1].reshape(-1, 3, 3),
                            np.stack([a, c, b], axis=-2)[:, 1:].reshape(-1, 3, 3)])  # fmt: skip


def write_stl(path: Path, triangles: np.ndarray) -> None:
    facets = np.zeros(len(triangles), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    facets["corners"] = triangles
    path.write_bytes(bytes(80) + len(triangles).to_bytes(4, "little") + facets.tobytes())


def main() -> None:
    import manifold3d
    import trimesh

    from calib.geometry.layer_profile import layer_profile
    from calib.geometry.orientation import best_pose, simplified
    from calib.geometry.poses import find_poses
    from calib.geometry.read_mesh import read_mesh
    from calib.geometry.supports import find_supports

    with tempfile.TemporaryDirectory() as folder:
        small, large = Path(folder, "small.stl"), Path(folder, "large.stl")
        write_stl(small, crumpled(100_000))
        write_stl(large, crumpled(1_000_000))
        mesh = read_mesh(small)
        step = float(mesh.size_mm[2]) / 600
        heights = mesh.bounds_mm[0, 2] + step * (np.arange(600) + 0.5)
        library = trimesh.Trimesh(**trimesh.triangles.to_kwargs(mesh.triangles))
        library.merge_vertices()
        kernel = manifold3d.Manifold(manifold3d.Mesh64(library.vertices, library.faces.astype(np.uint64)))

        def by_library() -> None:
            sections = library.section_multiplane([0, 0, 0], [0, 0, 1], heights)
            _ = [(sum(p.area for p in s.polygons_closed), s.length) for s in sections if s is not None]

        def by_kernel() -> None:
            for height in heights:
                section = kernel.slice(height)
                section.area()
                section.to_polygons()

        rows = [
            (f"layer profile, {len(mesh.triangles)} faces, 600 layers",
             seconds(lambda: layer_profile(mesh.triangles, step, topology=mesh.topology))),
            ("... reckoning neighbours first", seconds(lambda: layer_profile(mesh.triangles, step))),
            ("mesh library, section_multiplane, area and length", seconds(by_library, 1)),
            ("boolean kernel, slices, area and polygons", seconds(by_kernel, 1)),
            ("read and check the same STL", seconds(lambda: read_mesh(small))),
            ("supports of one pose", seconds(lambda: find_supports(mesh.triangles, 45.0))),
            ("best pose", seconds(lambda: best_pose(mesh, "MEX", (200, 200, 200), 45.0), 1)),
        ]  # fmt: skip

        def hundred() -> None:
            rough = simplified(mesh.triangles, 6000)
            for pose in find_poses(mesh, 100):
                find_supports(rough @ pose.rotation.T, 45.0, 1600)

        rows.append(("a hundred poses with supports", seconds(hundred, 1)))
        begin = time.perf_counter()
        big = read_mesh(large)
        middle = time.perf_counter()
        layer_profile(big.triangles, float(big.size_mm[2]) / 1000, topology=big.topology)
        rows.append((f"read and check {len(big.triangles)} faces", middle - begin))
        rows.append(("... sweep them for 1000 layers", time.perf_counter() - middle))
    ours = rows[0][1]
    print(f"{'what':58} {'s':>8} {'times the first':>16}")
    for what, spent in rows:
        print(f"{what:58} {spent:8.3f} {spent / ours:16.1f}")


if __name__ == "__main__":
    main()
