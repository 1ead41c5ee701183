"""Part files and solids against published formats and formulas."""

import io
import zipfile

import numpy as np
import pytest
import trimesh

from calib.geometry.layer_profile import layer_profile
from calib.geometry.mesh import face_areas_mm2, signed_volume_mm3
from calib.geometry.read_mesh import read_mesh
from calib.geometry.units import MM_PER, unit_named

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"


def box(x, y, z):
    return np.array(trimesh.creation.box((x, y, z)).triangles)


def ball(radius, fineness):
    return np.array(trimesh.creation.icosphere(subdivisions=fineness, radius=radius).triangles)


def cube_3mf(unit=""):
    """The smallest archive that holds a cube of one unit."""
    points = "".join('<vertex x="{:g}" y="{:g}" z="{:g}"/>'.format(*corner) for corner in box(1, 1, 1).reshape(-1, 3))
    faces = "".join(f'<triangle v1="{i}" v2="{i + 1}" v3="{i + 2}"/>' for i in range(0, 36, 3))
    mesh = f"<mesh><vertices>{points}</vertices><triangles>{faces}</triangles></mesh>"
    stated = f'unit="{unit}"' if unit else ""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        archive.writestr(
            "_rels/.rels",
            '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="a" '
            'Target="/m" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>',
        )
        archive.writestr(
            "m",
            f'<model {stated} xmlns="{CORE}"><resources><object id="1">{mesh}</object></resources>'
            '<build><item objectid="1"/></build></model>',
        )
    return held.getvalue()


@pytest.mark.outside("STL as in the class notes on scanning and printing, MIT", "seen")
def test_binary_stl_has_84_bytes_and_50_for_each_facet(tmp_path):
    # Binary STL: 80-byte header, 32-bit count, 50 bytes a facet (teaching page on file formats of the course 'scanning
    # and printing', MIT; seen by the collector of the reference list, not opened again here). Unit cube: 12 facets.
    facets = np.zeros(12, [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    facets["corners"] = box(1, 1, 1)
    data = bytes(80) + (12).to_bytes(4, "little") + facets.tobytes()
    assert len(data) == 684
    (tmp_path / "cube.stl").write_bytes(data)
    mesh = read_mesh(tmp_path / "cube.stl")
    assert (mesh.volume_mm3, mesh.area_mm2) == (pytest.approx(1.0), pytest.approx(6.0))


@pytest.mark.outside("3MF Core Specification 1.4.0, ST_Unit", "seen")
@pytest.mark.parametrize(
    ("unit", "mm"),
    [("micron", 1e-3), ("millimeter", 1), ("centimeter", 10), ("inch", 25.4), ("foot", 304.8), ("meter", 1000)],
)
def test_3mf_units(tmp_path, unit, mm):
    # 3MF Core Specification 1.4.0, model element: ST_Unit has these six words (seen, as above); inch and foot are
    # the international ones of 1959, 25.4 mm and 304.8 mm exactly.
    (tmp_path / "cube.3mf").write_bytes(cube_3mf(unit))
    mesh = read_mesh(tmp_path / "cube.3mf")
    assert mesh.size_mm == pytest.approx([mm, mm, mm])
    assert not mesh.unit_assumed
    assert MM_PER[unit_named(unit)] == mm


@pytest.mark.outside("3MF Core Specification 1.4.0, model element", "seen")
def test_3mf_without_a_unit_is_millimetres(tmp_path):
    # same table: the default of model/@unit is millimeter
    (tmp_path / "cube.3mf").write_bytes(cube_3mf())
    assert read_mesh(tmp_path / "cube.3mf").size_mm == pytest.approx([1, 1, 1])


@pytest.mark.outside("tables of solids", "from memory")
def test_euler_volume_of_a_regular_tetrahedron():
    # a^3 / (6 sqrt 2), surface sqrt 3 a^2 (any table of solids; from memory)
    corners = np.array([[1.0, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]])
    solid = corners[[[0, 1, 2], [0, 3, 1], [0, 2, 3], [1, 3, 2]]]
    side = 2 * np.sqrt(2)
    assert signed_volume_mm3(solid) == pytest.approx(side**3 / (6 * np.sqrt(2)))
    assert face_areas_mm2(solid).sum() == pytest.approx(np.sqrt(3) * side**2)


@pytest.mark.outside("Cauchy's formula for the mean width of a section", "from memory")
def test_cauchy_crofton_mean_chord():
    # Mean over all directions of the width of a section is (for convex ones) perimeter / pi: Cauchy's formula (from
    # memory); W of the layer profile is that width, so its mean over the angles is P / pi for any section.
    angles = tuple(np.arange(0.0, 180.0, 1.0))
    points = ball(30.0, 3)
    for solid in (box(10, 100, 5), points + 2 * np.sin(0.4 * points[..., [1, 2, 0]])):
        profile = layer_profile(solid, 1.0, angles_deg=angles)
        assert profile.line_width_mm.mean(axis=1) == pytest.approx(profile.perimeter_mm / np.pi, rel=2e-4)


@pytest.mark.outside("Archimedes, sphere and its sections", "from memory")
def test_archimedes_sphere_and_cylinder():
    # surface 4 pi r^2, volume 4/3 pi r^3; section at height z: pi (r^2 - z^2) (from memory)
    solid = ball(10.0, 6)
    assert face_areas_mm2(solid).sum() == pytest.approx(4 * np.pi * 100, rel=5e-4)
    assert signed_volume_mm3(solid) == pytest.approx(4 / 3 * np.pi * 1000, rel=5e-4)
    profile = layer_profile(solid, 0.5)
    assert profile.area_mm2[2:-2] == pytest.approx((np.pi * (100 - (profile.z_mm - 10) ** 2))[2:-2], rel=2e-3)
