"""Overlapping solids -> one, through a boolean-geometry kernel."""

from __future__ import annotations

import numpy as np

from calib.geometry.topology import vertex_ids


def united(triangles: np.ndarray) -> np.ndarray | None:
    """The surface of all space that is enclosed at least once, shape (m, 3, 3) [mm]; None where the kernel cannot say.

    triangles : shape (n, 3, 3), closed and turned outwards [mm]
    """
    try:
        from manifold3d import Manifold, Mesh64
    except ImportError:
        return None
    ids = vertex_ids(triangles)
    _, first = np.unique(ids.reshape(-1), return_index=True)
    solid = Manifold(Mesh64(triangles.reshape(-1, 3)[first], ids.astype(np.uint64)))
    if solid.is_empty():
        return None
    pieces = solid.decompose()
    whole = Manifold.batch_boolean(pieces, _add()) if len(pieces) > 1 else solid
    mesh = whole.to_mesh64()
    return np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts).astype(np.int64)]


def _add() -> object:
    from manifold3d import OpType

    return OpType.Add
