"""OBJ, PLY and STEP through the mesh library; imported late, since it takes seconds to start."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from calib.errors import MeshError
from calib.geometry.read_step import step_as_glb

MM_PER_M = 1000.0


def read_by_library(data: bytes, name: str, kind: str, max_faces: int) -> np.ndarray:
    """Corners of the faces, shape (n, 3, 3), in the file's own unit (STEP: mm). Files named inside are not followed."""
    form, scale = kind.lower(), 1.0
    if kind == "STEP":
        data, form, scale = step_as_glb(data, name), "glb", MM_PER_M
    import trimesh

    try:
        loaded = trimesh.load(io.BytesIO(data), file_type=form, process=False, force="mesh", resolver=None)
        triangles = _triangles_of(loaded)
    except IndexError as error:
        raise _bad(name, kind, "a face names a vertex that is not there, or the file is cut short") from error
    except Exception as error:  # whatever the library trips over: its words mean nothing to the reader
        raise _bad(name, kind, f"the file is damaged, or is not {kind}") from error
    if triangles is None:
        raise _bad(name, kind, "it holds no faces")
    if len(triangles) > max_faces:
        raise MeshError(f"{name} has {len(triangles)} faces; at most {max_faces} are read.", "Export a coarser mesh.")
    return triangles * scale


def _bad(name: str, kind: str, why: str) -> MeshError:
    return MeshError(f"{name} cannot be read as {kind}: {why}.", "Export it again, or as STL.")


def _triangles_of(loaded: Any) -> np.ndarray | None:
    faces, vertices = getattr(loaded, "faces", None), getattr(loaded, "vertices", None)
    if faces is None or vertices is None or len(faces) == 0:
        return None
    faces = np.asarray(faces)
    if np.max(faces) >= len(vertices) or np.min(faces) < 0:
        raise IndexError
    triangles = np.asarray(vertices, np.float64)[faces]
    if triangles.shape[1:] != (3, 3):  # corners of two numbers, or faces of four corners
        raise IndexError
    return triangles
