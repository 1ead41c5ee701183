"""Cavities that nothing can leave: closed surfaces that bound a hollow inside the part."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from calib.geometry.mesh import Mesh, volumes_mm3
from calib.geometry.topology import body_of_face


@lru_cache(maxsize=8)
def sealed_cavities_mm3(mesh: Mesh) -> tuple[float, ...]:
    """Volumes of the hollows without any opening, the largest first [mm3]; exact for a closed mesh.

    The faces of a cavity look into it, so the volume that they enclose is negative.
    """
    if not np.isfinite(mesh.volume_mm3):
        return ()
    bodies, body = body_of_face(mesh.mates)
    volumes = np.bincount(body, volumes_mm3(mesh.triangles), bodies)
    return tuple(sorted((-float(volume) for volume in volumes if volume < -1e-9 * mesh.volume_mm3), reverse=True))
