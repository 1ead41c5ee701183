"""Layers and poses: our sweep beside a mesh library's sections and a boolean kernel's slices, in one process."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np


def seconds(work: Callable[[], object], times: int = 3) -> float:
    """CPU seconds, best of several."""
    spent = []
    for _ in range(times):
        begin = time.process_time()
        work()
        spent.append(time.process_time() - begin)
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


def balls(faces_wanted: int) -> np.ndarray:
    """Twenty-seven irregular bodies apart from each other, with about so many faces: sections of several loops."""
    one = crumpled(faces_wanted // 27) / 3
    places = 30.0 * np.array(list(np.ndindex(3, 3, 3)))
    return np.concatenate([one + place for place in places])


def sweeps(name: str, triangles: np.ndarray, layers: int) -> list[tuple[str, float]]:
    """Our sweep and its two peers on one part."""
    import manifold3d
    import trimesh

    from calib.geometry.layer_profile import layer_profile
    from calib.geometry.topology import topology_of

    low, high = triangles[:, :, 2].min(), triangles[:, :, 2].max()
    step = float(high - low) / layers
    heights = low + step * (np.arange(layers) + 0.5)
    library = trimesh.Trimesh(**trimesh.triangles.to_kwargs(triangles))
    library.merge_vertices()
    kernel = manifold3d.Manifold(manifold3d.Mesh64(library.vertices, library.faces.astype(np.uint64)))
    topology = topology_of(triangles)

    def by_library() -> None:
        sections = library.section_multiplane([0, 0, 0], [0, 0, 1], heights)
        _ = [(sum(p.area for p in s.polygons_closed), s.length) for s in sections if s is not None]

    def by_kernel() -> None:
        for height in heights:
            section = kernel.slice(height)
            section.area()
            section.to_polygons()

    return [
        (f"{name}, {len(triangles):,} faces, {layers} layers: profile",
         seconds(lambda: layer_profile(triangles, step, topology=topology), 5)),
        ("... with its neighbours", seconds(lambda: layer_profile(triangles, step), 5)),
        ("... mesh library, section_multiplane, area and length", seconds(by_library, 1)),
        ("... boolean kernel, slices, area and polygons", seconds(by_kernel, 2)),
    ]  # fmt: skip


def show(rows: list[tuple[str, float]]) -> None:
    for what, spent in rows:
        print(f"{what:62} {spent:8.3f} {spent / rows[0][1]:14.1f}")


def main() -> None:
    import manifold3d
    import trimesh

    from calib.geometry import orientation, poses
    from calib.geometry.layer_profile import layer_profile
    from calib.geometry.read_mesh import read_mesh
    from calib.geometry.supports import find_supports

    print(f"{'what':62} {'CPU s':>8} {'times first':>14}")
    show(sweeps("one crumpled body", crumpled(100_000), 600))
    show(sweeps("27 bodies", balls(100_000), 600))
    with tempfile.TemporaryDirectory() as folder:
        small, large = Path(folder, "small.stl"), Path(folder, "large.stl")
        write_stl(small, crumpled(100_000))
        write_stl(large, crumpled(1_000_000))
        mesh = read_mesh(small)

        def hundred() -> None:
            rough = orientation.simplified(mesh.triangles, 6000)
            for pose in poses.find_poses(mesh, 100):
                find_supports(rough @ pose.rotation.T, 45.0, 1600)

        def quoted() -> None:
            """What one quote computes of a part: three processes, their poses, supports and layers."""
            part = read_mesh(small)
            for process, layer in (("MEX", 0.2), ("VPP", 0.05), ("PBF", 0.11)):
                poses_that_fit = orientation.candidates(part, process, (200, 200, 300), 45.0)
                pose = min(poses_that_fit, key=lambda candidate: candidate.pose.size_mm[2]).pose
                pose.profile(layer)
                if process != "PBF":
                    pose.supports(45.0)

        def by_library() -> None:
            part = trimesh.load(small)
            _ = part.volume, part.area, part.is_watertight, part.body_count

        show([
            (f"read and check an STL of {len(mesh.triangles):,} faces", seconds(lambda: read_mesh(small))),
            ("... mesh library: load, volume, area, watertight, bodies", seconds(by_library, 1)),
            ("... supports of one pose", seconds(lambda: find_supports(mesh.triangles, 45.0))),
            ("... a hundred poses with supports, of the simplified part", seconds(hundred, 1)),
            ("... all that a quote of three processes asks", seconds(quoted, 1)),
        ])  # fmt: skip
        big = read_mesh(large)
        step = float(big.size_mm[2]) / 1000
        show([
            (f"read and check {len(big.triangles):,} faces", seconds(lambda: read_mesh(large))),
            ("... sweep them for 1,000 layers",
             seconds(lambda: layer_profile(big.triangles, step, topology=big.topology))),
        ])  # fmt: skip
    print(f"peers: trimesh {trimesh.__version__}, manifold3d {getattr(manifold3d, '__version__', '')}")


if __name__ == "__main__":
    main()
