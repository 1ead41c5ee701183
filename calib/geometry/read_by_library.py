"""OBJ, PLY and STEP through the mesh library; imported late, since it takes seconds to start."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from calib.errors import MeshError


def read_by_library(data: bytes, name: str, kind: str, max_faces: int) -> np.ndarray:
    """Corners of the faces, shape (n, 3, 3), in the file's own unit (STEP: mm). Files named inside are not followed."""
    if kind == "STEP":
        data, kind = _step_as_glb(data, name), "GLB"
    import trimesh

    try:
        loaded = trimesh.load(io.BytesIO(data), file_type=kind.lower(), process=False, force="mesh", resolver=None)
        triangles = _triangles_of(loaded)
    except Exception as error:
        raise MeshError(
            f"{name} cannot be read as {kind}: {_first_line(error)}", "Export it again, or as binary STL."
        ) from error
    if len(triangles) > max_faces:
        raise MeshError(f"{name} has {len(triangles)} faces; at most {max_faces} are read.", "Export a coarser mesh.")
    return triangles * (1000.0 if kind == "GLB" else 1.0)  # a GLB's numbers are metres


def _triangles_of(loaded: Any) -> np.ndarray:
    faces, vertices = getattr(loaded, "faces", None), getattr(loaded, "vertices", None)
    if faces is None or vertices is None or len(faces) == 0:
        raise ValueError("it holds no faces.")
    if np.max(faces) >= len(vertices) or np.min(faces) < 0:
        raise ValueError("a face names a vertex that is not there.")
    return np.asarray(vertices, np.float64)[np.asarray(faces)]


def _step_as_glb(data: bytes, name: str) -> bytes:
    try:
        import cascadio
    except ImportError:
        raise MeshError(
            f"{name}: STEP needs an extra library.",
            "Install it with: pip install calib[step], or export the part as 3MF or STL.",
        ) from None
    try:
        return cascadio.load(data, file_type="step", tol_linear=0.01, tol_angular=0.25)
    except Exception as error:
        raise MeshError(
            f"{name} cannot be read as STEP: {_first_line(error)}", "Export it again, or as STL."
        ) from error


def _first_line(error: Exception) -> str:
    text = str(error).strip().splitlines()
    return (text[0] if text else type(error).__name__)[:200]
