"""OBJ, PLY and STEP through libraries that take seconds to start, and are therefore imported late."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from calib.errors import MeshError

CHORD_MM = 0.01  # greatest distance between a surface and its triangles
CHORD_RAD = 0.25  # greatest turn from one triangle of a curve to the next
MM_PER_M = 1000.0


def step_as_glb(data: bytes, name: str) -> bytes:
    """The solids of a STEP file as one GLB, in metres, by the kernel of ``calib[step]``; the file's own unit is honoured.

    Raises a MeshError where the library is not installed, or the file is no STEP file, damaged, or without a solid.
    """
    try:
        import cascadio
    except ImportError:
        raise MeshError(
            f"{name}: STEP needs an extra library.",
            "Install it with: pip install calib[step], or export the part as 3MF or STL.",
        ) from None
    if b"ISO-10303-21" not in data[:1000]:
        raise MeshError(
            f"{name} is not a STEP file: it does not begin with ISO-10303-21.", "Export it again, or as STL."
        )
    try:
        with _silenced():
            mesh = cascadio.load(data, file_type="step", tol_linear=CHORD_MM, tol_angular=CHORD_RAD)
    except Exception:
        mesh = b""
    if not mesh:
        raise MeshError(
            f"{name} cannot be read as STEP: it is cut short or damaged, or holds no solid.",
            "Export it again, or as STL.",
        )
    return mesh


@contextmanager
def _silenced() -> Iterator[None]:
    """The kernel writes of what it dislikes on standard output, where only our answer may stand."""
    sys.stdout.flush()
    sys.stderr.flush()
    kept = [os.dup(stream) for stream in (1, 2)]
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        for stream in (1, 2):
            os.dup2(nowhere, stream)
        yield
    finally:
        for stream, before in zip((1, 2), kept, strict=True):
            os.dup2(before, stream)
            os.close(before)
        os.close(nowhere)


def read_by_library(data: bytes, name: str, kind: str, max_faces: int) -> np.ndarray:
    """Corners of the faces, shape (n, 3, 3), in the file's own unit (STEP: mm). Files named inside are not followed.

    Raises a MeshError where the file is damaged, holds no faces, or more than ``max_faces``.
    """
    form, scale = kind.lower(), 1.0
    if kind == "STEP":
        data, form, scale = step_as_glb(data, name), "glb", MM_PER_M
    import trimesh

    try:
        loaded = trimesh.load(io.BytesIO(data), file_type=form, process=False, force="mesh", resolver=None)
        triangles = _triangles_of(loaded)
    except IndexError as error:
        raise _bad(name, kind, "a face names a vertex that is not there, or the file is cut short") from error
    except Exception as error:  # the library's own messages mean nothing to the user
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
    triangles: np.ndarray = np.asarray(vertices, np.float64)[faces]
    if triangles.shape[1:] != (3, 3):  # corners of two numbers, or faces of four corners
        raise IndexError
    return triangles
