from __future__ import annotations

import pytest
from solids_for_tests import stl_bytes

from calib.geometry.read_mesh import read_mesh


@pytest.fixture
def mesh_of(tmp_path):
    """Triangles -> the mesh that is read from their STL file."""

    def read(triangles):
        (tmp_path / "part.stl").write_bytes(stl_bytes(triangles))
        return read_mesh(tmp_path / "part.stl")

    return read
