"""STEP -> the bytes of a mesh file, through the kernel of the extra ``calib[step]``."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from calib.errors import MeshError

CHORD_MM = 0.01  # greatest distance between a surface and its triangles
CHORD_RAD = 0.25  # greatest turn from one triangle of a curve to the next


def step_as_glb(data: bytes, name: str) -> bytes:
    """The solids of a STEP file as one GLB, in metres: the file's own unit is honoured."""
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
